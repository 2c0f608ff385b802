"""
The command `cleanside-ingest` whose archive stops its process (SIGSTOP) once: as the first file has its name,
and before the file is registered.

    python -m tests.support.hanging_archive serve [flags of serve]
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from cleanside.ingest import cli
from cleanside.ingest.store.archive_disk import Disk


def main() -> int:
    """Run it."""
    rename = Disk.rename

    def rename_and_hang(disk: Disk, old: Path, new: Path) -> None:
        rename(disk, old, new)
        Disk.rename = rename  # type: ignore[method-assign]
        os.kill(os.getpid(), signal.SIGSTOP)

    Disk.rename = rename_and_hang  # type: ignore[assignment,method-assign]
    return cli.main(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
