"""
The open file of a spool: one connection, one lock, transactions, and a new file when the old one is damaged.

Promises: a transaction is on disk when it ends without an error, and has left nothing when it ends with one.
A file that turns out to be damaged, or to have vanished, is set aside and a new one is begun; the call that
met it fails with SpoolDamaged and may be made again. Errors of SQLite come out as ours.
Leaves to others: how a file is opened (`gateway.spool_file`), what is read of one that was set aside
(`gateway.spool_rescue`), what is in the tables (`gateway.spool`).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import apsw

from gateway.errors import SpoolDamaged
from gateway.spool_file import Lock, close_file, open_file, translated
from gateway.spool_rescue import free_name, set_aside


class SpoolDisk:
    """One spool's file, for several threads."""

    def __init__(
        self,
        path: Path,
        *,
        begin: Callable[[apsw.Connection], None],
        forget: Callable[[], None],
        vfs: str | None = None,
    ) -> None:
        """
        begin : called in a transaction on each file that is opened, to make what a file needs.
        forget : called whenever what is remembered of the tables may be wrong.
        Raises SpoolInUse, SpoolTooNew, SpoolUnavailable, CalledWrongly.
        """
        self.path = path
        self.lock = threading.RLock()
        #: why the file was replaced, if it was
        self.damage: str | None = None
        self._begin = begin
        self._forget = forget
        self._vfs = vfs
        self._is_open = False  # opened whole: from then on a damage is healed by replacing the file
        self.file_lock = Lock(path)
        try:
            try:
                self._open()
            except SpoolDamaged as error:
                self._replace(str(error))
        except BaseException:
            self.file_lock.release()
            raise

    @contextmanager
    def reading(self) -> Iterator[apsw.Connection]:
        """The connection, for looking only."""
        with self.lock, self._healed(), translated(self.path):
            yield self.connection

    @contextmanager
    def transaction(self) -> Iterator[apsw.Connection]:
        """The connection, for one transaction that is on disk when the block ends."""
        with self.lock, self._healed(), translated(self.path):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                self._forget()
                if self.connection.in_transaction:
                    self.connection.execute("ROLLBACK")
                raise

    def check_present(self) -> None:
        """Raise SpoolDamaged if the file has vanished; SQLite would go on writing to one without a name."""
        if self._number_now() == self.number:  # at every commit: has to cost nothing
            return
        with self.lock, self._healed():
            if self._number_now() != self.number:
                with suppress(apsw.Error):  # what was in it is still readable here, and nowhere else
                    self.connection.execute("VACUUM INTO ?", (str(free_name(self.path)),))
                raise SpoolDamaged(f"{self.path} has vanished; collection goes on in a new file")

    def close(self) -> None:
        """Let go of the file."""
        with self.lock:
            self._is_open = False
            close_file(self.connection)
            self.file_lock.release()

    def _open(self) -> None:
        self.connection = open_file(self.path, vfs=self._vfs)
        try:
            #: tells this file from one that took its place
            self.number = self._number_now()
            with self.transaction() as connection:
                self._begin(connection)
            self._is_open = True
        except BaseException:
            close_file(self.connection)  # before another is opened: two must never meet without the lock
            raise

    def _number_now(self) -> int:
        try:
            return 0 if self._vfs is not None else os.stat(self.path).st_ino  # noqa: PTH116 - half the time
        except OSError:
            return -1

    def _replace(self, damage: str) -> None:
        """Set the file aside and begin a new one; `begin` finds what was set aside."""
        self.damage = damage
        set_aside(self.path)
        self._forget()
        self._open()

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
