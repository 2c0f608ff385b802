"""
The open file of a spool: one connection, one lock, transactions, and a new file when the old one is damaged.

Promises: a transaction is on disk when it ends without an error, and leaves nothing when it ends with one. A
damaged or vanished file is set aside and a new one is begun; the call that found it fails with SpoolDamaged
and may be repeated. Errors of SQLite become ours.
Leaves to others: opening a file (`gateway.spool.file`), reading one that was set aside
(`gateway.spool.rescue`), the tables (`gateway.spool.queue`).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, NoReturn

import apsw

from cleanside.gateway import file_modes
from cleanside.gateway.errors import SpoolDamaged, SpoolFull, SpoolInUse, SpoolUnavailable, why
from cleanside.gateway.spool.aside import delete, free_name, move_mark, set_aside
from cleanside.gateway.spool.file import Lock, close_file, open_file, translated
from cleanside.gateway.spool.high_mark import Extent, HighMark
from cleanside.gateway.spool.known import check_ours
from cleanside.gateway.spool.rescue import superseded
from cleanside.gateway.spool.volume import (
    LEAST_TABLES_BYTES,
    PAGE_BYTES,
    START_BYTES,
    Volume,
    most_log_bytes,
    reserve_for,
)

MOST_PAGES: Final = 4_294_967_294  # SQLite's own bound (sqlite.org/limits.html)
GROWTH_SHARE: Final = 4  # thinning declares numbers before a page of readings is empty; chosen


class LockedConnection:
    """
    The connection of a spool's file with its lock, for one block; in a transaction of its own if it `writes`.

    A class: three nested generators cost a third of an append's time in Python.
    """

    __slots__ = ("_disk", "_writes")

    def __init__(self, disk: SpoolDisk, *, writes: bool) -> None:
        self._disk = disk
        self._writes = writes

    def __enter__(self) -> apsw.Connection:
        disk = self._disk
        disk.lock.acquire()
        if disk.is_adrift:  # nearly never
            self._come_back()
        if self._writes:
            try:
                disk.connection.execute("BEGIN IMMEDIATE")
            except BaseException as error:
                self.__exit__(None, error, None)
        return disk.connection

    def _come_back(self) -> None:
        try:
            self._disk.come_back()
        except BaseException:
            self._disk.lock.release()
            raise

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        try:
            if error is None and self._writes:
                try:
                    self._disk.connection.execute("COMMIT")
                except BaseException as failed:
                    error = failed
            if error is not None:
                self._disk.fail(error, writes=self._writes)
        finally:
            self._disk.lock.release()


class SpoolDisk:
    """One spool's file, for several threads."""

    def __init__(
        self,
        path: Path,
        *,
        begin: Callable[[apsw.Connection], Extent],
        forget: Callable[[], None],
        volume: Volume,
        mark: HighMark,
        on_damage: Callable[[str], None],
        budget_bytes: int,
        vfs: str | None = None,
    ) -> None:
        """
        begin : called in a transaction on each opened file, to make its first rows. Returns the file's last
        number.
        forget : called whenever a memory of the tables may be wrong.
        volume : the file system of the file. mark : the high-water mark beside it.
        on_damage : called with the reason when a file was set aside, before the new one is begun.
        budget_bytes : the log gets a share of it.
        Raises SpoolInUse, SpoolTooNew, SpoolUnavailable, CalledWrongly.
        """
        self.path = path
        self._name = os.fspath(path)
        self.lock = threading.RLock()
        #: why the file was replaced, if it was
        self.damage: str | None = None
        self._begin = begin
        self._forget = forget
        self._vfs = vfs
        self.volume = volume
        self.mark = mark
        self._on_damage = on_damage
        self._log_pages = 0
        self._budget_bytes = budget_bytes
        #: how far the log may grow before it is written back, and the size of the reserve; set at opening
        self.log_bytes = self.reserve_bytes = 0
        #: how often a file was opened: what was made for one is not written to the next, or to its like
        self.opened = 0
        self._is_open = False  # opened as a sound file: from then on a damaged file is replaced
        #: the file was given up, and the disk took no other in its place: each use looks again
        self.is_adrift = False
        if vfs is None:
            check_ours(path)  # before we make any file beside it
        self.file_lock = Lock(path)
        try:
            try:
                self._open()
            except SpoolDamaged as error:
                self._replace(str(error))
        except BaseException:
            self.file_lock.release()
            raise

    def reading(self) -> LockedConnection:
        """The connection, for reading, or for one statement that is a transaction of its own."""
        return LockedConnection(self, writes=False)

    def transaction(self) -> LockedConnection:
        """The connection, for one transaction that is on disk when the block ends."""
        return LockedConnection(self, writes=True)

    def fail(self, error: BaseException, *, writes: bool) -> NoReturn:
        """
        Roll back a transaction that failed with `error`; raise it as ours. Called by `LockedConnection`.
        """
        with self._healed(), translated(self.path):
            if writes:
                self._forget()
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
            raise error

    def check_present(self) -> None:
        """Raise SpoolDamaged if the file has vanished; SQLite would go on writing to one without a name."""
        if self.is_adrift:
            with self.lock:
                self.come_back()
        try:  # at every commit: has to cost nothing
            if self._vfs is not None or os.stat(self._name).st_ino == self.number:  # noqa: PTH116 - half the time
                return
        except OSError:
            pass
        with self.lock, self._healed():
            if self._number_now() != self.number:
                self._copy_aside(free_name(self.path))
                raise SpoolDamaged("file_vanished", path=self.path)

    def write_back_log(self) -> bool:
        """
        Make the log begin again at its front, in its present room, where that is possible.

        False: the file has no room for what is in the log.
        """
        with self.lock, suppress(apsw.Error):
            try:
                self.connection.execute("PRAGMA wal_checkpoint(RESTART)")
            except apsw.FullError:
                return False
        return True

    def use_reserve(self, *, start_too: bool = False) -> None:
        """
        Free the reserve for the steps that free room; until it is whole again the file hardly grows.

        start_too : also the part that is kept for the next start.
        """
        was_whole = self._is_reserve_whole()
        self.volume.release(keep=0 if start_too else self._start_bytes())
        if not self.write_back_log():  # a spool that runs comes before the next start
            self.volume.release()
            self.write_back_log()
        self._bound_file(may_grow=was_whole)

    def take_reserve(self) -> bool:
        """Make the reserve again, as far as there is room. True if it is whole: the file may grow again."""
        self.volume.take(self.reserve_bytes)
        is_whole = self._is_reserve_whole()
        self._bound_file(may_grow=is_whole)
        return is_whole

    def _start_bytes(self) -> int:
        """What stays of the reserve for the next start; nothing while the file has less than its floor."""
        if self.volume.file_bytes() < LEAST_TABLES_BYTES:
            return 0
        return min(START_BYTES, self.reserve_bytes * 3 // 4)

    def _is_reserve_whole(self) -> bool:
        return self.volume.free_bytes() is None or self.volume.reserve_bytes() >= self.reserve_bytes

    def _bound_file(self, *, may_grow: bool) -> None:
        """
        Let the file grow by a share of the room there is; not at all without a reserve, above the floor.

        The pages that a commit adds to the log may find no room in the file. Such a log can be neither
        written back nor begun again, and nothing could be deleted any more.
        """
        with self.lock, suppress(apsw.Error):
            self.connection.execute(f"PRAGMA max_page_count = {self._most_pages(may_grow=may_grow)}")

    def _most_pages(self, *, may_grow: bool) -> int:
        free_bytes, file_bytes = self.volume.free_bytes(), self.volume.file_bytes()
        if free_bytes is None:
            return MOST_PAGES
        if not may_grow and file_bytes >= LEAST_TABLES_BYTES:
            return max(1, file_bytes // PAGE_BYTES)  # SQLite keeps the pages that the file has
        room_bytes = free_bytes + max(0, self.volume.reserve_bytes() - self._start_bytes())
        return min(MOST_PAGES, (file_bytes + room_bytes // GROWTH_SHARE) // PAGE_BYTES)

    def _copy_aside(self, aside: Path) -> None:
        """Copy the content of a file that has vanished: this connection can still read it."""
        try:
            file_modes.make_file(aside)  # VACUUM takes an empty file
            self.connection.execute("VACUUM INTO ?", (str(aside),))
        except (apsw.Error, OSError):
            with suppress(OSError):
                if not aside.stat().st_size:
                    aside.unlink()
        else:
            self.mark.close()
            move_mark(self.path, aside)

    def close(self) -> None:
        """Close the file."""
        with self.lock:
            self._is_open = self.is_adrift = False
            close_file(self.connection)
            self.mark.sync()
            self.mark.close()
            self.volume.take(self.reserve_bytes + self.log_bytes)  # the room that the log leaves
            self.file_lock.release()

    def _open(self) -> None:
        while True:
            try:
                self._open_file()
                break
            except (SpoolFull, SpoolUnavailable) as error:
                if not self._free_for_start(error):
                    raise
        self.take_reserve()

    def _free_for_start(self, error: Exception) -> bool:
        """Free the reserve, then one by one the files set aside that another one has read. False: none is."""
        if self.volume.reserve_bytes():
            self.volume.release()
            return not self.volume.reserve_bytes()
        aside = superseded(self.path, by=[self.path]) if isinstance(error, SpoolFull) else None
        return aside is not None and delete(aside) > 0

    def _open_file(self) -> None:
        room_bytes = self._budget_bytes
        if (free_bytes := self.volume.free_bytes()) is not None:
            room_bytes = min(room_bytes, self.volume.file_bytes() + self._beside_bytes() + free_bytes)
        self.log_bytes, self.reserve_bytes = most_log_bytes(room_bytes), reserve_for(room_bytes)
        self.connection = open_file(self.path, log_bytes=self.log_bytes, vfs=self._vfs)
        self.opened += 1
        try:
            self.number = self._number_now()
            if self.volume.log_bytes() > self.log_bytes:
                self.write_back_log()  # of a new file: a small disk has no room for its tables in both
            self.connection.set_wal_hook(self._after_commit)
            with self.transaction() as connection:
                come = self._begin(connection)
            self.mark.write(come.stream, come.through)
            self.mark.clear_loss()  # `begin` has declared it
            self.mark.sync()
            self._is_open = True
            if self._vfs is None:
                self.file_lock.mark(self.number)
        except BaseException:
            close_file(self.connection)  # before another is opened: never two without the lock
            raise

    def _after_commit(self, connection: apsw.Connection, _name: str, pages: int) -> int:
        """Write a long log back into the file. Where that fails, the commit is safe all the same."""
        if pages < self._log_pages:  # it began again at its front
            self.mark.sync()
        self._log_pages = pages
        if pages * PAGE_BYTES >= self.log_bytes:
            with suppress(apsw.Error):
                connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
        return apsw.SQLITE_OK

    def _beside_bytes(self) -> int:
        return self.volume.log_bytes() + self.volume.reserve_bytes()

    def lacking_bytes(self) -> int:
        """What log and reserve have yet to take of the file system."""
        return max(0, self.log_bytes + self.reserve_bytes - self._beside_bytes())

    def _number_now(self) -> int:
        try:
            return 0 if self._vfs is not None else self.path.stat().st_ino
        except OSError:
            return -1

    def _replace(self, damage: str) -> None:
        """Set the file aside and begin a new one; `begin` finds the files that were set aside."""
        self.damage = damage
        self.mark.close()
        with self._settled():
            set_aside(self.path)
            self._on_damage(damage)
            self._forget()
            self._open()

    def come_back(self) -> None:
        """
        Open what lies at the path now, where the file was gone and nothing could be made in its place.

        The disk was pulled, or died: it may be back, with the file as it was. Raises SpoolUnavailable.
        """
        with self._settled():
            self.file_lock.release()
            self.file_lock = Lock(self.path)  # its own file may be another one by now
            self._forget()
            try:
                self._open()
            except SpoolDamaged as error:
                self._replace(str(error))

    @contextmanager
    def _healed(self) -> Iterator[None]:
        try:
            yield
        except SpoolDamaged as error:
            if self._is_open:
                self._is_open = False
                close_file(self.connection)
                self._replace(str(error))
            raise

    @contextmanager
    def _settled(self) -> Iterator[None]:
        """Inside, a file takes the place of one that is gone; where none does, the spool is adrift."""
        self.is_adrift = False  # the file that is being opened is used
        try:
            yield
        except BaseException as error:
            self.is_adrift = True
            if isinstance(error, (OSError, SpoolInUse)):  # of names and folders; another process was quicker
                raise SpoolUnavailable("disk_refuses", path=self.path, why=why(error)) from error
            raise
