"""
A disk in memory that loses power: SQLite writes to it through a VFS, and the test says when and how it fails.

Promises: what was not synced may be gone, there, half there, or there without what was written before it;
what was synced is there. Each write, truncation, sync, creation and deletion is one counted operation.
As SQLite's own crash tests do (sqlite.org/testing.html, "Crash Testing", "I/O Error Testing").
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import apsw

SECTOR_BYTES = 512


class PowerCut(apsw.IOError):
    """The machine is off: nothing works any more."""


@dataclass
class File:
    """One file: what is surely on the disk, and what was done since the last sync."""

    durable: bytes = b""
    #: (offset, data), or (size, None) for a truncation
    pending: list[tuple[int, bytes | None]] = field(default_factory=list)
    live: bytearray = field(default_factory=bytearray)
    #: its name is on the disk too
    named: bool = False


#: chooses what of the unsynced survives: given the pending operations, returns those that reach the disk
Survival = Callable[[list[tuple[int, bytes | None]], random.Random], list[tuple[int, bytes | None]]]


def nothing(_: list[tuple[int, bytes | None]], __: random.Random) -> list[tuple[int, bytes | None]]:
    """Everything that was not synced is gone."""
    return []


def everything(done: list[tuple[int, bytes | None]], _: random.Random) -> list[tuple[int, bytes | None]]:
    """Everything had reached the disk."""
    return done


def torn(done: list[tuple[int, bytes | None]], chance: random.Random) -> list[tuple[int, bytes | None]]:
    """A beginning had, and of the next write only some sectors."""
    cut = chance.randrange(len(done) + 1)
    kept = done[:cut]
    if cut < len(done):
        offset, data = done[cut]
        if data is not None:
            size = chance.randrange(0, len(data) + 1, min(SECTOR_BYTES, len(data)))
            kept.append((offset, data[:size]))
    return kept


def reordered(done: list[tuple[int, bytes | None]], chance: random.Random) -> list[tuple[int, bytes | None]]:
    """Any of them had, whatever came before it."""
    return [entry for entry in done if chance.random() < 0.5]


SURVIVALS: dict[str, Survival] = {
    "nothing": nothing,
    "everything": everything,
    "torn": torn,
    "reordered": reordered,
}
_numbers = itertools.count()


class Disk:
    """The files, the count of operations, and the fault that is due."""

    def __init__(self) -> None:
        self.files: dict[str, File] = {}
        #: files deleted without a sync of their folder: they may come back
        self.ghosts: dict[str, File] = {}
        self.operations = 0
        #: what all files may take together; None: no limit
        self.room_bytes: Callable[[], int] | None = None
        #: called with the number of each operation before it is done; raises to make it fail
        self.fault: Callable[[int, str], None] = lambda _number, _what: None
        self.vfs = f"simulated-{next(_numbers)}"
        self._registered = _Vfs(self)

    def operation(self, what: str) -> None:
        """Count one operation; it fails if a fault is due."""
        self.operations += 1
        self.fault(self.operations, what)

    def bytes(self) -> int:
        """What all files take."""
        return sum(len(file.live) for file in self.files.values())

    def grow(self, size: int) -> None:
        """A file is to grow by `size`."""
        if size > 0 and self.room_bytes is not None and size > self.room_bytes():
            raise apsw.FullError("no space left on the device")

    def sync_folder(self) -> None:
        """Names made and deleted so far are on the disk."""
        for file in self.files.values():
            file.named = True
        self.ghosts.clear()

    def cut_power_at(self, number: int) -> None:
        """From operation `number` on nothing works."""

        def fault(at: int, _: str) -> None:
            if at >= number:
                raise PowerCut("the power is off")

        self.fault = fault

    def power_on(self, survival: Survival, chance: random.Random) -> Disk:
        """The disk as the next boot finds it."""
        after = Disk()

        # What was done to the folder is as unsure as what was done to the files.
        def undone() -> bool:
            return survival is nothing or (survival is not everything and chance.random() < 0.5)

        returned = {name: file for name, file in self.ghosts.items() if undone()}
        for name, file in {**returned, **self.files}.items():
            if not file.named and undone():
                continue
            content = bytearray(file.durable)
            for offset, data in survival(list(file.pending), chance):
                _apply(content, offset, data)
            after.files[name] = File(durable=bytes(content), live=bytearray(content), named=True)
        self.unregister()
        return after

    def unregister(self) -> None:
        """Let SQLite forget this disk."""
        self._registered.unregister()


class SimulatedVolume:
    """The file system of a `Disk`, of so many bytes, some of them taken by others."""

    def __init__(self, disk: Disk, size: int) -> None:
        self.size = size
        self.others_bytes = 0
        self.reserve = 0
        self._disk = disk
        disk.room_bytes = self.free_bytes

    def free_bytes(self) -> int:
        return max(0, self.size - self._disk.bytes() - self.reserve - self.others_bytes)

    def file_bytes(self) -> int:
        return self._disk.bytes() - self.log_bytes()

    def log_bytes(self) -> int:
        return sum(len(file.live) for name, file in self._disk.files.items() if name.endswith("-wal"))

    def reserve_bytes(self) -> int:
        return self.reserve

    def take(self, size: int) -> None:
        self.reserve = max(self.reserve, min(size, self.reserve + self.free_bytes()) // 4096 * 4096)

    def release(self, *, keep: int = 0) -> None:
        self.reserve = min(keep, self.reserve)


def _apply(content: bytearray, offset: int, data: bytes | None) -> None:
    if data is None:
        del content[offset:]
        return
    if len(content) < offset:
        content.extend(bytes(offset - len(content)))
    content[offset : offset + len(data)] = data


class _Vfs(apsw.VFS):
    """SQLite's way to the disk."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        super().__init__(disk.vfs, base="")

    def xOpen(self, name: Any, flags: list[int]) -> Any:
        path = name.filename() if hasattr(name, "filename") else str(name)
        path = Path(path or "temporary").name
        if path not in self._disk.files:
            if not flags[0] & apsw.SQLITE_OPEN_CREATE:
                raise apsw.CantOpenError(path)
            self._disk.operation("create")
            self._disk.files[path] = File()
        flags[1] = flags[0]
        return _Open(self._disk, path)

    def xDelete(self, name: str, sync: bool) -> None:
        path = Path(name).name
        self._disk.operation("delete")
        if path not in self._disk.files:
            raise apsw.IOError(f"no {path}")
        file = self._disk.files.pop(path)
        if file.named and not sync:
            self._disk.ghosts[path] = file

    def xAccess(self, name: str, _flags: int) -> bool:
        return Path(name).name in self._disk.files

    def xFullPathname(self, name: str) -> str:
        return name


class _Open:
    """One open file; it stays usable when its name is deleted, as on Unix."""

    def __init__(self, disk: Disk, path: str) -> None:
        self._disk = disk
        self._path = path
        self._file = disk.files[path]

    def xRead(self, amount: int, offset: int) -> bytes:
        return bytes(self._file.live[offset : offset + amount])

    def xWrite(self, data: bytes, offset: int) -> None:
        self._disk.operation("write")
        self._disk.grow(offset + len(data) - len(self._file.live))
        self._file.pending.append((offset, bytes(data)))
        _apply(self._file.live, offset, bytes(data))

    def xTruncate(self, size: int) -> bool:
        self._disk.operation("truncate")
        self._file.pending.append((size, None))
        del self._file.live[size:]
        return True

    def xSync(self, _flags: int) -> bool:
        self._disk.operation("sync")
        self._file.durable = bytes(self._file.live)
        self._file.pending.clear()
        if not self._file.named and self._path.endswith(("-wal", "-journal", ".mark")):
            # SQLite's unix VFS syncs the folder with the first sync of a new log (UNIXFILE_DIRSYNC). The mark
            # does so when it is made.
            self._disk.sync_folder()
        return True

    def xFileSize(self) -> int:
        return len(self._file.live)

    def xLock(self, level: int) -> None:
        """One process, one connection: always granted."""

    def xUnlock(self, level: int) -> None:
        """Nothing to do."""

    def xCheckReservedLock(self) -> bool:
        return False

    def xFileControl(self, _op: int, _pointer: int) -> bool:
        return False

    def xSectorSize(self) -> int:
        return SECTOR_BYTES

    def xDeviceCharacteristics(self) -> int:
        return 0  # no promise: writes may tear and reorder

    def xClose(self) -> None:
        """Nothing to do."""
