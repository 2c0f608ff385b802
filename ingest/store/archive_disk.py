"""
The steps on the disk that an archive is made with.

Apart from its files, because those need pyarrow, which takes 35 MB of memory: a server whose readings are all
younger than its retention looks through its archive every hour and needs none of it.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

from cleanside.gateway import file_modes


class Disk:
    """The steps on the disk; a test replaces it by one that fails at a step."""

    def make_folder(self, path: Path) -> None:
        """Make a folder, durably, if it is not there; only its user may enter it."""
        file_modes.make_folder(path, sync=self.sync_folder)

    def sync_file(self, path: Path) -> None:
        """Return once the content of a file is on the disk."""
        _sync(path)

    def sync_folder(self, path: Path) -> None:
        """Return once the names in a folder are on the disk."""
        _sync(path)

    def rename(self, old: Path, new: Path) -> None:
        """Give a file its name, in one step."""
        old.rename(new)

    def remove(self, path: Path) -> None:
        """Remove a file, if it is there."""
        path.unlink(missing_ok=True)

    def touch(self, path: Path) -> None:
        """Let the age of a file begin again."""
        os.utime(path)

    def age_s(self, path: Path) -> float:
        """Time since a file was last written or touched. [s]"""
        return time.time() - path.stat().st_mtime


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
