"""
The high-water mark: the last number given, in a file of its own beside the spool.

The spool alone cannot show that its end is missing: without its log, or as an older copy, it is a sound file
that ends earlier. The mark is written after each commit of readings and shows it.

Promises: the mark is never ahead of the disk: it is written once the commit is durable. After a kill it is
exact. A power cut may undo writes since the last sync, which is when the log was last written back: a tail
lost in the same cut stays unnoticed up to there. One of its two copies survives a torn write. An error of
the disk here fails no append: the reading is safe without the mark. The number of readings that a stop had
to give up is noted here too, if the disk takes it.
Leaves to others: the meaning of a missing mark or tail (`gateway.spool.tail`).
"""

from __future__ import annotations

import os
import struct
import uuid
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from zlib import crc32

import apsw

from cleanside.gateway.file_modes import open_or_make, sync_folder

SUFFIX: Final = ".mark"
_MAGIC: Final = b"clsm"
_FORM: Final = struct.Struct(">4s16sQQ")  # magic, stream, number, how many were written before
_SUM: Final = struct.Struct(">I")
_APART: Final = 4096  # of the two copies: no write of a disk tears both
_SIZE: Final = 2 * _APART
# Readings that a stop gave up because the disk took no more. The file has its room already, so this can be
# written where no other file can grow.
_LOSS: Final = struct.Struct(">4s16sQ")  # magic, identity of the loss, how many readings
_LOSS_MAGIC: Final = b"clsl"
_LOSS_AT: Final = 2048
_LOSS_SIZE: Final = _LOSS.size + _SUM.size
_FLAGS: Final = apsw.SQLITE_OPEN_SUPER_JOURNAL | apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_CREATE


@dataclass(frozen=True, slots=True)
class Extent:
    """The numbers 1..seq of a stream."""

    stream: str
    through: int


@dataclass(frozen=True, slots=True)
class LossNote:
    """How many readings a stop gave up; `identity` distinguishes such losses."""

    identity: str
    count: int


class HighMark:
    """The mark's file, kept open while the spool is."""

    def __init__(self, path: Path, *, vfs: str | None = None) -> None:
        self._path = path.with_name(path.name + SUFFIX)
        self._vfs = vfs
        self._slots: _OnSystem | _OnVfs | None = None
        self._count = 0
        self._stream, self._bytes = "", b""

    def read(self) -> Extent | None:
        """The newest mark that is whole; None: there is none."""
        content = b""
        with suppress(apsw.Error, OSError):
            content = self._opened().read()
        newest = _newest(content)
        if newest is None:
            return None
        self._count, mark = newest
        return mark

    def is_there(self) -> bool:
        """True if the file can be written; it is made where it is missing."""
        with suppress(apsw.Error, OSError):
            self._opened()
        return self._slots is not None

    def write(self, stream: str, through: int) -> None:
        """Set the mark. Only once every number through it is on disk."""
        if stream != self._stream:
            self._stream, self._bytes = stream, uuid.UUID(stream).bytes
        self._count += 1
        said = _FORM.pack(_MAGIC, self._bytes, through, self._count)
        try:  # at every commit: has to cost next to nothing
            slots = self._slots or self._opened()
            slots.write(_APART * (self._count & 1), said + _SUM.pack(crc32(said)))
        except (apsw.Error, OSError):
            return

    def note_loss(self, note: LossNote) -> bool:
        """Note it for the next start. False: the disk does not even take this."""
        said = _LOSS.pack(_LOSS_MAGIC, uuid.UUID(note.identity).bytes, note.count)
        return self._write_loss(said + _SUM.pack(crc32(said)))

    def loss(self) -> LossNote | None:
        """Readings that the last stop gave up and that are not declared yet; None: none."""
        with suppress(apsw.Error, OSError):
            return _loss_in(self._opened().read())
        return None

    def clear_loss(self) -> None:
        """Delete the note, which is declared now."""
        if self.loss() is not None:
            self._write_loss(bytes(_LOSS_SIZE))

    def _write_loss(self, content: bytes) -> bool:
        try:
            slots = self._opened()
            slots.write(_LOSS_AT, content)
            slots.sync()
        except (apsw.Error, OSError):
            return False
        return True

    def sync(self) -> None:
        """Sync, so that the mark survives a power cut."""
        with suppress(apsw.Error, OSError):
            self._opened().sync()

    def close(self) -> None:
        """Close the file."""
        if self._slots is not None:
            with suppress(apsw.Error, OSError):
                self._slots.close()
            self._slots = None
        self._count = 0

    def _opened(self) -> _OnSystem | _OnVfs:
        if self._slots is None:
            self._slots = _OnSystem(self._path) if self._vfs is None else _OnVfs(self._vfs, str(self._path))
        return self._slots


class _OnSystem:
    """
    The file on the system's disk.

    Written by a call, not through a map: on a disk that fails, that is full or mounted read-only meanwhile, a
    store into a map kills the process (SIGBUS) where a call returns an error. It costs a microsecond.
    """

    def __init__(self, path: Path) -> None:
        self._handle = open_or_make(path)
        try:
            content = self.read()
            if not _may_be_ours(content):
                raise OSError(f"{path} is no mark of a spool; it was left as it is")
            if len(content) < _SIZE:
                os.pwrite(self._handle, bytes(_SIZE - len(content)), len(content))
                os.fsync(self._handle)
                sync_folder(path.parent)
        except BaseException:
            os.close(self._handle)
            raise

    def read(self) -> bytes:
        return os.pread(self._handle, _SIZE + 1, 0)

    def write(self, offset: int, content: bytes) -> None:
        os.pwrite(self._handle, content, offset)

    def sync(self) -> None:
        os.fdatasync(self._handle)

    def close(self) -> None:
        os.close(self._handle)


class _OnVfs:
    """The file on a simulated disk."""

    def __init__(self, vfs: str, name: str) -> None:
        self._file = apsw.VFSFile(vfs, name, [_FLAGS, 0])

    def read(self) -> bytes:
        size = min(_SIZE, self._file.xFileSize())
        return self._file.xRead(size, 0) if size else b""

    def write(self, offset: int, content: bytes) -> None:
        self._file.xWrite(content, offset)

    def sync(self) -> None:
        self._file.xSync(apsw.SQLITE_SYNC_NORMAL)

    def close(self) -> None:
        self._file.xClose()


def _may_be_ours(content: bytes) -> bool:
    """True for a mark, damaged or not, or one that was cut off while it was made."""
    return len(content) == _SIZE or (
        (len(content) < _SIZE and content.startswith((b"\0", _MAGIC))) or not content
    )


def read_mark(path: Path) -> Extent | None:
    """The mark beside the spool at `path`, read without making one; None: there is none, or none is whole."""
    try:
        content = path.with_name(path.name + SUFFIX).read_bytes()
    except OSError:
        return None
    newest = _newest(content)
    return None if newest is None else newest[1]


def read_loss(path: Path) -> LossNote | None:
    """Readings of the spool at `path` that a stop gave up and that are not declared yet; None: none."""
    try:
        return _loss_in(path.with_name(path.name + SUFFIX).read_bytes())
    except OSError:
        return None


def _loss_in(content: bytes) -> LossNote | None:
    said = content[_LOSS_AT : _LOSS_AT + _LOSS_SIZE]
    if len(said) < _LOSS_SIZE or crc32(said[: _LOSS.size]) != _SUM.unpack_from(said, _LOSS.size)[0]:
        return None
    magic, identity, count = _LOSS.unpack_from(said)
    return LossNote(str(uuid.UUID(bytes=identity)), count) if magic == _LOSS_MAGIC else None


def _newest(content: bytes) -> tuple[int, Extent] | None:
    marks = [*_parsed(content), *_parsed(content[_APART:])]
    return max(marks, key=lambda entry: entry[0]) if marks else None


def _parsed(content: bytes) -> list[tuple[int, Extent]]:
    size = _FORM.size
    if len(content) < size + _SUM.size or crc32(content[:size]) != _SUM.unpack_from(content, size)[0]:
        return []
    magic, stream, through, count = _FORM.unpack_from(content)
    return [(count, Extent(str(uuid.UUID(bytes=stream)), through))] if magic == _MAGIC else []
