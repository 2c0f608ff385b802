"""
Why the database does not take a write, as a code: disk full, read-only, or unavailable.

Promises: pure, except for one call to the file system where SQLite itself only says "input/output".
Leaves to others: raising (`ingest.writer.writer`).
"""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import suppress
from pathlib import Path

STORE_FULL, STORE_READ_ONLY, STORE_UNAVAILABLE = "store_full", "store_read_only", "store_unavailable"
STANDBY_AWAY = "standby_away"  # no error of a driver: the commit waits, or its wait was cancelled

#: SQLSTATE -> code (PostgreSQL documentation, appendix A, error codes)
_OF_POSTGRES = {"53100": STORE_FULL, "25006": STORE_READ_ONLY}
#: primary result code -> code (sqlite.org/rescode.html); the low byte of an extended one
_OF_SQLITE = {sqlite3.SQLITE_FULL: STORE_FULL, sqlite3.SQLITE_READONLY: STORE_READ_ONLY}
MOST_WORDS = 200  # characters of them in a log line; chosen
_LEAST_FREE_BYTES = 64 * 1024  # below it a write of a batch fails; chosen


def code_of(error: BaseException, folder: Path | None = None) -> str:
    """The code for a driver's error; folder : of a SQLite file, None: another database."""
    cause = getattr(error, "orig", None) or error
    if (state := getattr(cause, "sqlstate", None)) is not None:
        return _OF_POSTGRES.get(state, STORE_UNAVAILABLE)
    number = getattr(cause, "sqlite_errorcode", None)
    if number is None:
        return STORE_UNAVAILABLE
    if number & 0xFF in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and folder is not None:
        return _of_file_system(folder)
    return _OF_SQLITE.get(number & 0xFF, STORE_UNAVAILABLE)


def words_of(error: BaseException) -> str:
    """What the database itself says, for a log line: without the library's statement and address."""
    return str(getattr(error, "orig", None) or error)[:MOST_WORDS]


def is_disk_full(error: BaseException) -> bool:
    """True where a disk of this machine is full, as the system or SQLite says it."""
    cause = getattr(error, "orig", None) or error
    if isinstance(cause, OSError):
        return cause.errno in (errno.ENOSPC, errno.EDQUOT)
    return isinstance(cause, sqlite3.Error) and code_of(cause) == STORE_FULL


def _of_file_system(folder: Path) -> str:
    with suppress(OSError):
        state = os.statvfs(folder)
        if state.f_flag & os.ST_RDONLY:
            return STORE_READ_ONLY
        if state.f_bavail * state.f_frsize < _LEAST_FREE_BYTES:
            return STORE_FULL
    return STORE_UNAVAILABLE
