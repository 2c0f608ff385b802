"""
The server's own command on the time that a file says: `python -m tests.support.server_on_set_time FILE ...`.

All else is as `python -m ingest` has it: a process, a database on disk, HTTP on loopback. The file holds
microseconds since 1970 in eight bytes, little end first.
"""

from __future__ import annotations

import functools
import mmap
import sys
from pathlib import Path

from ingest import app
from ingest.cli import main


def set_time(file: Path, at_s: float) -> None:
    """Write the time into the file; it is there whole or not at all for a reader of eight aligned bytes."""
    data = round(at_s * 1e6).to_bytes(8, "little")
    if not file.exists():
        file.write_bytes(data)
    with file.open("r+b") as opened, mmap.mmap(opened.fileno(), 8) as memory:
        memory[:] = data


def run(file: Path, words: list[str]) -> int:
    """Run the command on the file's time."""
    with file.open("rb") as opened:
        memory = mmap.mmap(opened.fileno(), 8, access=mmap.ACCESS_READ)

    def clock() -> int:
        return int.from_bytes(memory[:], "little")

    app.create_app = functools.partial(app.create_app, clock=clock)
    app.system_clock = clock
    return main(words)


if __name__ == "__main__":
    sys.exit(run(Path(sys.argv[1]), sys.argv[2:]))
