"""
The file system of a spool: its free room, and a reserve that is freed when the disk is full.

A commit needs room in the log before anything can be deleted, and a log that cannot be written back cannot
be used again: a full disk would stop the very steps that free it. So some room is reserved while there is
plenty, as a file beside the spool, and freed when a write fails because the disk is full. A part of it is
for a start alone, so that a spool that was damaged on a full disk is replaced.

Promises: the room of the reserve is really allocated, not only noted; nothing here raises when the disk is
full.
Leaves to others: when to free it (`gateway.spool.queue`), what to delete then (`gateway.spool.room`).
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

from cleanside.gateway.file_modes import open_or_make

PAGE_BYTES: Final = 4096
MOST_LOG_BYTES: Final = 1000 * PAGE_BYTES  # SQLite's own default for a checkpoint (sqlite.org/wal.html)
LEAST_LOG_BYTES: Final = 16 * PAGE_BYTES  # chosen: a commit of five hundred readings fits
LOG_SHARE: Final = 64  # the log may grow to this part of the room there is (chosen)
LEAST_TABLES_BYTES: Final = 192 * 2**10  # the floor: the tables get this much, however full the disk (chosen)
START_BYTES: Final = 320 * 2**10  # of the reserve, for a start: a new file with its log and index (chosen)
_BESIDE_LOG_BYTES: Final = 64 * PAGE_BYTES  # for the transactions that delete, and the log's index


class Volume(Protocol):
    """The file system of the spool's files."""

    def free_bytes(self) -> int | None:
        """Bytes that this process may still write; None: not known, treated as plenty."""

    def file_bytes(self) -> int:
        """Size of the spool's file."""

    def log_bytes(self) -> int:
        """Size of the log beside it."""

    def reserve_bytes(self) -> int:
        """Size of the reserve."""

    def take(self, size: int) -> None:
        """Reserve up to `size` bytes, as far as there is room."""

    def release(self, *, keep: int = 0) -> None:
        """Free the reserve, all but `keep` bytes."""


class Unlimited:
    """A file system without a check of its room: of a simulated disk."""

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

    def release(self, *, keep: int = 0) -> None:
        """Nothing to do."""


class SystemVolume:
    """The real file system below the spool at `path`."""

    def __init__(self, path: Path) -> None:
        self._file = path
        self._log = path.with_name(f"{path.name}-wal")
        self._reserve = path.with_name(f"{path.name}.reserve")

    def free_bytes(self) -> int | None:
        try:
            state = os.statvfs(self._file.parent)
        except OSError:
            return None
        return state.f_bavail * state.f_frsize

    def file_bytes(self) -> int:
        return _size(self._file)

    def log_bytes(self) -> int:
        return _size(self._log)

    def reserve_bytes(self) -> int:
        return _size(self._reserve)

    def take(self, size: int) -> None:
        had = self.reserve_bytes()
        size = min(size, had + (self.free_bytes() or 0)) // PAGE_BYTES * PAGE_BYTES
        if size <= had:
            return
        with suppress(OSError):
            handle = open_or_make(self._reserve)
            try:
                os.posix_fallocate(handle, 0, size)
            except OSError:
                os.truncate(handle, had)  # a failed attempt may leave a size without allocated room
            finally:
                os.close(handle)

    def release(self, *, keep: int = 0) -> None:
        with suppress(OSError):
            os.truncate(self._reserve, min(keep, self.reserve_bytes()))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def most_log_bytes(room_bytes: int) -> int:
    """How far the log may grow before it is written back. room_bytes : all room that the spool may take."""
    return max(LEAST_LOG_BYTES, min(MOST_LOG_BYTES, room_bytes // LOG_SHARE))


def reserve_for(room_bytes: int) -> int:
    """
    Size of the reserve. room_bytes : all room that the spool may take.

    A checkpoint may add to the spool's file as much as the log has. The last commit may have exceeded its
    limit by as much again.
    """
    wanted = min(2 * most_log_bytes(room_bytes) + _BESIDE_LOG_BYTES, max(START_BYTES, room_bytes // 4))
    return wanted // PAGE_BYTES * PAGE_BYTES
