"""
The file system a spool lies on: how much of it is free, and a reserve that is given back when nothing is.

A commit needs room in the log before anything can be deleted, and a log that cannot be written back cannot be
used again: a full disk would stop the very steps that free it. So some room is taken while there is plenty,
as a file of its own beside the spool, and given back when a write fails for want of it.

Promises: the room of the reserve is really taken, not only noted; nothing here raises when the disk is full.
Leaves to others: when to give it back (`gateway.spool.queue`), what to delete then (`gateway.spool.room`).
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

PAGE_BYTES: Final = 4096
MOST_LOG_BYTES: Final = 1000 * PAGE_BYTES  # SQLite's own default for a checkpoint (sqlite.org/wal.html)
LEAST_LOG_BYTES: Final = 16 * PAGE_BYTES  # chosen: a commit of five hundred readings fits
LOG_SHARE: Final = 64  # the log may grow to this part of the room there is (chosen)
_BESIDE_LOG_BYTES: Final = 64 * PAGE_BYTES  # for the transactions that delete, and the log's index


class Volume(Protocol):
    """Where the spool's files lie."""

    def free_bytes(self) -> int | None:
        """What this process may still write to the file system; None: not known, taken as plenty."""

    def file_bytes(self) -> int:
        """What the spool's file takes now."""

    def log_bytes(self) -> int:
        """What the log beside it takes now."""

    def reserve_bytes(self) -> int:
        """What is reserved now."""

    def take(self, size: int) -> None:
        """Reserve up to `size` bytes, as far as there is room."""

    def release(self) -> None:
        """Give the reserve back to the file system."""


class Unlimited:
    """A file system whose room is not looked at: of a simulated disk."""

    def free_bytes(self) -> int | None:
        return None

    def file_bytes(self) -> int:
        return 0

    def log_bytes(self) -> int:
        return 0

    def reserve_bytes(self) -> int:
        return 0

    def take(self, size: int) -> None:
        """Nothing to do."""

    def release(self) -> None:
        """Nothing to do."""


class SystemVolume:
    """The real file system below the spool at `path`."""

    def __init__(self, path: Path) -> None:
        self._file = path
        self._log = path.with_name(f"{path.name}-wal")
        self._reserve = path.with_name(f"{path.name}.reserve")

    def free_bytes(self) -> int | None:
        try:
            found = os.statvfs(self._file.parent)
        except OSError:
            return None
        return found.f_bavail * found.f_frsize

    def file_bytes(self) -> int:
        return _size(self._file)

    def log_bytes(self) -> int:
        return _size(self._log)

    def reserve_bytes(self) -> int:
        return _size(self._reserve)

    def take(self, size: int) -> None:
        size = min(size, self.reserve_bytes() + (self.free_bytes() or 0)) // PAGE_BYTES * PAGE_BYTES
        if size <= self.reserve_bytes():
            return
        with suppress(OSError):
            handle = os.open(self._reserve, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                os.posix_fallocate(handle, 0, size)
            except OSError:
                os.truncate(handle, 0)  # what a failed attempt leaves may be a size without room behind it
            finally:
                os.close(handle)

    def release(self) -> None:
        with suppress(OSError):
            os.truncate(self._reserve, 0)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def most_log_bytes(room_bytes: int) -> int:
    """How far the log may grow before it is written back. room_bytes : what the spool may take in all."""
    return max(LEAST_LOG_BYTES, min(MOST_LOG_BYTES, room_bytes // LOG_SHARE))


def reserve_for(room_bytes: int) -> int:
    """
    What to keep in reserve. room_bytes : what the spool may take in all.

    A checkpoint may add to the spool's file as much as the log holds. The last commit may have carried it
    beyond its limit by as much again.
    """
    return min(2 * most_log_bytes(room_bytes) + _BESIDE_LOG_BYTES, room_bytes // 4)
