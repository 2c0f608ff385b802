"""
The spool's file: opened one way, by one process, with a SQLite that loses no commits.

Promises: write-ahead log with a sync at every commit; one process at a time (the lock ends with it); a file
of a later version stays unchanged, one of an earlier version is upgraded; SQLite's errors become ours.
Leaves to others: the tables (`gateway.spool.queue`).
"""

from __future__ import annotations

import fcntl
import json
import logging
import os
import re
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from functools import cache
from importlib import resources
from pathlib import Path

import apsw

from cleanside.gateway import file_modes
from cleanside.gateway.errors import (
    CalledWrongly,
    SpoolDamaged,
    SpoolFull,
    SpoolInUse,
    SpoolTooNew,
    SpoolUnavailable,
)
from cleanside.gateway.spool.high_mark import SUFFIX
from cleanside.gateway.spool.known import APPLICATION_ID, check_ours, lock_path, mark_ours
from cleanside.gateway.spool.payload import NotAsWritten
from cleanside.gateway.spool.upgrade import STEPS
from cleanside.gateway.spool.volume import MOST_LOG_BYTES
from cleanside.gateway.units import counted

SCHEMA_VERSION = 4
# 3.7.0 to 3.51.2 can lose committed transactions when two connections write or checkpoint at once
# (the WAL-reset bug, sqlite.org/wal.html): `status` and `rewind` open a second one.
LEAST_SQLITE = (3, 51, 3)
#: all but the readings and the copies of the streams
SMALL_TABLES = (
    "unit_sets", "streams", "boots", "anchors", "placements", "shed", "events", "source_marks", "traffic",
    "notes", "entry_streams", "entries",
)  # fmt: skip
BUSY_TIMEOUT_MS = 5_000  # chosen: longer than any transaction here on slow flash

# Besides the errors of SQLite itself: a text that is no UTF-8 or no JSON, a payload that is none.
_NOT_AS_WRITTEN = (UnicodeDecodeError, json.JSONDecodeError, NotAsWritten)


@contextmanager
def translated(path: Path | str) -> Iterator[None]:
    """Turn SQLite's errors into ours, in one place."""
    try:
        yield
    except apsw.FullError as error:
        raise SpoolFull("disk_full", path=path, why=str(error)) from error
    except (apsw.CorruptError, apsw.NotADBError, *_NOT_AS_WRITTEN) as error:
        raise SpoolDamaged("not_readable", path=path, why=str(error)) from error
    except apsw.ConnectionClosedError as error:
        raise SpoolUnavailable("spool_closed", path=path) from error
    except apsw.BusyError as error:
        raise SpoolUnavailable("spool_busy", path=path, why=str(error)) from error
    except (apsw.IOError, apsw.CantOpenError, apsw.ReadOnlyError, apsw.ProtocolError) as error:
        raise SpoolUnavailable("disk_refuses", path=path, why=str(error)) from error


def check_library(version: str) -> None:
    """Refuse a SQLite that is known to lose commits. Raises SpoolTooNew."""
    if tuple(int(part) for part in version.split(".")[:3]) < LEAST_SQLITE:
        least = ".".join(map(str, LEAST_SQLITE))
        raise SpoolTooNew("sqlite_loses_commits", version=version, least=least)


def open_file(path: Path, *, log_bytes: int = MOST_LOG_BYTES, vfs: str | None = None) -> apsw.Connection:
    """
    Open or make the spool at `path`, ready to write.

    log_bytes : how far the log grows before it is written back. vfs : name of a registered SQLite VFS; None:
    the system's. Raises the spool's errors.
    """
    check_library(apsw.sqlite_lib_version())
    fresh = not path.exists()
    with translated(path):
        if vfs is None:
            _make_private(path)
        connection = apsw.Connection(str(path), vfs=vfs)
        try:
            if vfs is not None:
                # A VFS written in Python has no shared memory; without it the log works in exclusive mode
                # only (sqlite.org/wal.html#noshm). On a machine `status` and `rewind` open the file too.
                connection.execute("PRAGMA locking_mode=EXCLUSIVE")
            _set_policy(connection, path, log_bytes)
            _bring_up(connection, path)
            _check_form(connection, path)
            if vfs is None:
                _narrow(path)
        except BaseException:
            close_file(connection)
            raise
    if fresh and vfs is None:
        file_modes.sync_folder(path.parent)
    return connection


def _make_private(path: Path) -> None:
    """Make the file for its user alone before SQLite opens it; SQLite gives the log the mode of the file."""
    file_modes.make_folder(path.parent)
    with suppress(OSError):  # SQLite has the better error
        file_modes.make_file(path)


def _narrow(path: Path) -> None:
    """Narrow the mode of files of an older release, which used the umask. Only for a file that is a spool."""
    for part in ("", "-wal", "-shm", SUFFIX, ".lock"):
        if changed := file_modes.narrow(path.with_name(path.name + part)):
            _log_narrowing(changed)


def _log_narrowing(changed: file_modes.Narrowing) -> None:
    done = "mode_narrowed" if changed.refused is None else "readable_by_others"
    reason = "" if changed.refused is None else f' reason="{changed.refused}"'
    logging.getLogger("cleanside.gateway").warning(
        "gateway.file_%s file=%s was=%04o%s", done, changed.file, changed.was, reason
    )


def close_file(connection: apsw.Connection) -> None:
    """
    Close the file, also where the disk fails meanwhile: committed rows are in the log, and stay.

    Nothing may stay open: a later connection must never work beside this one without the lock.
    """
    with suppress(apsw.Error):
        connection.close(True)


def open_to_read(path: Path) -> apsw.Connection:
    """Open the spool beside a running gateway, to read only. It never writes and never checkpoints."""
    check_library(apsw.sqlite_lib_version())
    check_ours(path)
    with translated(path):
        try:
            return _opened_to_read(path, apsw.SQLITE_OPEN_READONLY, str(path))
        except apsw.IOError:
            # A full disk has no room for the log's index. Where the log is empty the file alone is enough.
            log = path.with_name(f"{path.name}-wal")
            if log.exists() and log.stat().st_size:
                raise
            flags = apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI
            return _opened_to_read(path, flags, f"{path.resolve().as_uri()}?immutable=1")


@contextmanager
def one_view(path: Path) -> Iterator[apsw.Connection]:
    """One view of all tables, read while a gateway may be writing. Errors of SQLite inside become ours."""
    with translated(path):
        connection = open_to_read(path)
        try:
            connection.execute("BEGIN")
            yield connection
        finally:
            connection.close()


def _opened_to_read(path: Path, flags: int, name: str) -> apsw.Connection:
    connection = apsw.Connection(name, flags=flags)
    try:
        connection.set_busy_timeout(BUSY_TIMEOUT_MS)
        _check_version(connection, path)
    except BaseException:
        close_file(connection)
        raise
    return connection


def open_beside(path: Path) -> apsw.Connection:
    """Open the spool beside a running gateway, for one short transaction. Raises SpoolUnavailable."""
    check_library(apsw.sqlite_lib_version())
    check_ours(path)
    with translated(path):
        connection = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READWRITE)
        connection.set_busy_timeout(BUSY_TIMEOUT_MS)
        connection.execute("PRAGMA synchronous=FULL")
        _check_version(connection, path)
        return connection


def _set_policy(connection: apsw.Connection, path: Path, log_bytes: int) -> None:
    connection.set_busy_timeout(BUSY_TIMEOUT_MS)
    # Read to its end: if the disk fails here, SQLite says so only after it has named the old mode. Without
    # the log a commit ends by deleting a journal, which a power cut can undo (found by failing each call).
    if (mode := connection.execute("PRAGMA journal_mode=WAL").get) != "wal":
        raise SpoolUnavailable("no_write_ahead_log", path=path, mode=mode)
    # FULL: every commit is synced before `append` returns. NORMAL would lose the last commits at a power cut.
    connection.execute("PRAGMA synchronous=FULL")
    # The log's file keeps its size between two checkpoints: its room on the disk is used again and again.
    connection.execute(f"PRAGMA journal_size_limit={log_bytes}")
    connection.execute("PRAGMA cache_size=-4096")  # 4 MiB: the working set is the two ends of one table
    connection.execute("PRAGMA temp_store=MEMORY")
    # A plan is made once and kept (sqlite.org/queryplanner-ng.html#qpstab). Without it SQLite prepares a
    # statement with a bound LIMIT again at each call, which costs more than the query.
    connection.config(apsw.SQLITE_DBCONFIG_ENABLE_QPSG, 1)


def _bring_up(connection: apsw.Connection, path: Path) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        earliest = version = _version(connection)
        if version == 0 and _is_empty(connection):
            connection.execute(_schema())
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            version = SCHEMA_VERSION
        while version in STEPS:
            _bring_up_from(connection, path, version)
            version += 1
        if version != earliest:
            connection.execute(f"PRAGMA user_version={version}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    _check_version(connection, path)


def _bring_up_from(connection: apsw.Connection, path: Path, version: int) -> None:
    try:
        connection.execute(STEPS[version])
    except apsw.SQLError as error:  # no file of that version is like this one
        raise SpoolDamaged("not_its_version", path=path, version=version, why=str(error)) from error


def _check_form(connection: apsw.Connection, path: Path) -> None:
    """Tables, indexes and triggers are as they were made. Raises SpoolDamaged: a byte changed there is."""
    if _form(connection) != _form_of_new():
        raise SpoolDamaged("tables_differ", path=path)


def _form(connection: apsw.Connection) -> dict[object, str]:
    """How each part of the file was made, comments and spaces aside."""
    # SQLite's own table for AUTOINCREMENT stays in a file that had it once.
    rows = connection.execute(
        "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"
    )
    return {name: "".join(re.sub("--.*", "", str(sql)).split()) for name, sql in rows}


def check_small_tables(connection: apsw.Connection) -> None:
    """Raise NotAsWritten unless each small table is whole, and each row as it was written."""
    for table in SMALL_TABLES:
        said = connection.execute(f"PRAGMA integrity_check({table})").get
        if said != "ok":
            raise NotAsWritten(f"{table}: {said}")
        changed = connection.execute(f"SELECT count(*) FROM {table} WHERE NOT is_whole").get
        if changed:
            raise NotAsWritten(f"{table}: {counted(changed, 'row')} changed on the disk")


@cache
def _form_of_new() -> dict[object, str]:
    with closing(apsw.Connection(":memory:")) as fresh:
        fresh.execute(_schema())
        return _form(fresh)


def _schema() -> str:
    return resources.files("cleanside.gateway.spool").joinpath("schema.sql").read_text("utf-8")


def _is_empty(connection: apsw.Connection) -> bool:
    return not connection.execute("SELECT count(*) FROM sqlite_schema").get


def _version(connection: apsw.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").get)


def _check_version(connection: apsw.Connection, path: Path) -> None:
    if connection.execute("PRAGMA application_id").get != APPLICATION_ID:
        if _is_empty(connection):  # the power went before its tables were made
            raise CalledWrongly("spool_empty", path=path)
        check_ours(path)
        raise SpoolDamaged("header_differs", path=path)
    version = _version(connection)
    if version in STEPS:
        raise CalledWrongly("version_older", path=path, version=version, this_version=SCHEMA_VERSION)
    if version != SCHEMA_VERSION:
        raise SpoolTooNew("version_newer", path=path, version=version, this_version=SCHEMA_VERSION)


class Lock:
    """The lock of the process that runs the spool; the kernel frees it when the process ends in any way."""

    def __init__(self, path: Path) -> None:
        self._path = lock_path(path)
        self._is_held = True
        try:
            file_modes.make_folder(path.parent)
            self._handle = file_modes.open_or_make(self._path)
        except OSError as error:
            raise SpoolUnavailable(
                "lock_unwritable", path=self._path, why=error.strerror, uid=os.getuid()
            ) from error
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._handle)
            raise SpoolInUse("spool_in_use", path=path) from error

    def mark(self, number: int) -> None:
        """
        Note that the file with this inode number was opened as a sound spool, so that it is recognised when
        damaged.
        """
        mark_ours(self._handle, number)

    def release(self) -> None:
        """Let another process run the spool. Nothing happens where that was said before."""
        if self._is_held:
            self._is_held = False
            os.close(self._handle)
