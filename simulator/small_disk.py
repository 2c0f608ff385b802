"""
A file system of its own for one gateway's spool, small enough to fill up, where one may be mounted.

Promises: nothing is mounted where this user may not, and nothing stays mounted. Leaves to others: what a
gateway does on it (`tried_gateway.py`); where there is none, a process's own bounds stand for it.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

SMALL_DISK_BYTES: Final = 8 * 2**20
_OTHERS: Final = "others"  # a file of somebody else's, which takes the last of the room
_PIECES: Final = (2**16, 2**12, 1)


class SmallDisk:
    """A mounted folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self) -> None:
        """Others take the last of it."""
        with (self.folder / _OTHERS).open("ab", buffering=0) as file:
            for size in _PIECES:
                try:
                    while file.write(bytes(size)) == size:
                        pass
                except OSError:
                    continue

    def clear(self) -> None:
        """Others give their room back."""
        (self.folder / _OTHERS).unlink(missing_ok=True)

    def mount_again(self, *, read_only: bool) -> bool:
        """As after an error of the disk, or after it was mended. False: a file on it is open for writing."""
        return _run("mount", "-o", f"remount,{'ro' if read_only else 'rw'}", str(self.folder))


@contextmanager
def small_disk(folder: Path) -> Iterator[SmallDisk | None]:
    """A small file system at `folder`, which is made; None where this user may not mount one."""
    folder.mkdir(mode=0o700, parents=True)
    size = f"size={SMALL_DISK_BYTES},mode=0700"
    if os.geteuid() != 0 or not _run("mount", "-t", "tmpfs", "-o", size, "tmpfs", str(folder)):
        yield None
        return
    try:
        yield SmallDisk(folder)
    finally:
        _run("umount", "--lazy", str(folder))


def _run(*words: str) -> bool:
    try:
        return subprocess.run(words, check=False, capture_output=True).returncode == 0
    except FileNotFoundError:
        return False
