"""
Statements that cross to PostgreSQL together: a commit of readings takes two round trips.

Each round trip costs the writing thread its turn of Python's lock and wakes two processes, and each statement
through SQLAlchemy costs about as much as PostgreSQL takes for it. So questions are asked together, with the
BEGIN before them, and what is put off goes with the COMMIT.
Promises: statements that are put off are sent in their order, before any other statement of their connection
or with the COMMIT, so each sees what those before it wrote. One that fails fails the transaction, as ever. A
rollback forgets them. On SQLite, which is in this process, nothing is put off.
Leaves to others: which statements (`ingest.store.dialect` and the files of their nouns).

Source: PostgreSQL manual, libpq, "Pipeline Mode"; src/backend/utils/adt/arrayfuncs.c, array_recv.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any

import psycopg
import sqlalchemy as sa
from psycopg.abc import Buffer
from psycopg.adapt import Dumper
from psycopg.pq import Format, TransactionStatus
from sqlalchemy import event

_PUT_OFF = "put_off"  # in the `info` of a connection: statements and their values
_MAY = "may_put_off"  # in the same: they may be
_USED_S = "used_s"  # in the same: when it was last given back [s of the monotonic clock]
FRESH_S = 1.0  # a connection that was used since then is not tried before its next use; chosen
INT8_BYTES = 8

#: SQL with ? for values, and the values
Statement = tuple[str, tuple[Any, ...]]


@cache
def for_postgres(sql: str) -> str:
    """Plain SQL with ? for values in the driver's form."""
    return sql.replace("?", "%s")


# ---------------------------------------------------------------- together


def ask(connection: sa.Connection, questions: Sequence[Statement]) -> list[list[tuple[Any, ...]]]:
    """The rows of each question. On PostgreSQL in one round trip, with the BEGIN where it is still due."""
    if connection.dialect.name == "sqlite":
        return [_asked(connection, *question) for question in questions]
    _have_begun(connection)
    driver = _driver(connection)
    is_begun = driver.info.transaction_status != TransactionStatus.IDLE
    if not is_begun:
        driver.autocommit = True  # else the driver sends a BEGIN of its own, and waits for it
    with _sent_together(connection) as send:
        if not is_begun:
            send("BEGIN", ())
        for statement in _taken(connection):
            send(*statement)
        asked = [send(*question) for question in questions]
    return [cursor.fetchall() for cursor in asked]


def _asked(connection: sa.Connection, sql: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    result = connection.exec_driver_sql(sql, values)
    rows = [tuple(row) for row in result.cursor.fetchall()]
    result.close()
    return rows


@contextmanager
def putting_off(connection: sa.Connection) -> Iterator[None]:
    """What is put off inside waits for the next other statement, or for the COMMIT."""
    if connection.dialect.name == "sqlite":
        yield
        return
    _have_begun(connection)
    connection.info[_MAY] = True
    try:
        yield
    finally:
        connection.info.pop(_MAY, None)


def put_off(connection: sa.Connection, sql: str, values: tuple[Any, ...]) -> bool:
    """Put a statement without an answer off, where that may be; False: it has to be sent now."""
    if not connection.info.get(_MAY):
        return False
    connection.info.setdefault(_PUT_OFF, []).append((sql, values))
    return True


def _have_begun(connection: sa.Connection) -> None:
    """As with a statement through SQLAlchemy: without a transaction a commit would do nothing."""
    if not connection.in_transaction():
        connection.begin()


def catch_up(connection: sa.Connection) -> None:
    """Send what was put off: for whoever is about to use the driver's own connection."""
    if connection.info.get(_PUT_OFF):
        with _sent_together(connection) as send:
            for statement in _taken(connection):
                send(*statement)


def _taken(connection: sa.Connection) -> list[Statement]:
    waiting: list[Statement] = connection.info.pop(_PUT_OFF, [])
    return waiting


def _driver(connection: sa.Connection) -> psycopg.Connection[tuple[Any, ...]]:
    driver: Any = connection.connection.driver_connection
    return driver  # type: ignore[no-any-return]


@contextmanager
def _sent_together(
    connection: sa.Connection,
) -> Iterator[Callable[[str, tuple[Any, ...]], psycopg.Cursor[tuple[Any, ...]]]]:
    """Gives what sends a statement; their answers are there at the end. Raises the driver's errors."""
    driver = _driver(connection)
    try:
        with driver.pipeline():
            yield lambda sql, values: driver.execute(for_postgres(sql), values or None, prepare=bool(values))
    except psycopg.Error as error:
        if driver.closed:
            connection.invalidate()
        raise _first(error) from None


def _first(error: psycopg.Error) -> psycopg.Error:
    """What failed: the statements behind it only say that one before them did."""
    cause = error.__context__
    while isinstance(error, psycopg.errors.PipelineAborted) and isinstance(cause, psycopg.Error):
        error, cause = cause, cause.__context__
    return error


# ---------------------------------------------------------------- a connection that does so


def attend(engine: sa.Engine) -> None:
    """Let the connections of an engine of PostgreSQL put statements off; `ask` needs it too."""
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    event.listen(engine, "before_cursor_execute", _before)
    event.listen(engine, "commit", _commit)
    event.listen(engine, "rollback", _forget)
    event.listen(engine, "checkin", _note_use)
    event.listen(engine, "checkout", _try_where_idle)


def _prepare(driver: Any, _record: Any) -> None:
    for kind in (Int8Array, TextArray, ByteaArray):
        driver.adapters.register_dumper(kind, _DUMPERS[kind])


def _begin(connection: sa.Connection) -> None:
    _forget(connection)
    driver = _driver(connection)
    if driver.autocommit and connection.get_execution_options().get("isolation_level") != "AUTOCOMMIT":
        driver.autocommit = False  # `ask` has set it


def _before(connection: sa.Connection, *_statement: Any) -> None:
    catch_up(connection)


def _commit(connection: sa.Connection) -> None:
    """Where something was put off, the COMMIT goes with it: nothing is left for the one that follows."""
    if not connection.info.get(_PUT_OFF):
        return
    with _sent_together(connection) as send:
        for statement in _taken(connection):
            send(*statement)
        committed = send("COMMIT", ())
    if committed.statusmessage != "COMMIT":
        raise RuntimeError(f"COMMIT was answered with {committed.statusmessage}")


def _forget(connection: sa.Connection) -> None:
    if not connection.invalidated:  # else its `info` was lost with the connection
        connection.info.pop(_PUT_OFF, None)
        connection.info.pop(_MAY, None)


def _note_use(_driver: Any, record: Any) -> None:
    record.info[_USED_S] = time.monotonic()


def _try_where_idle(driver: Any, record: Any, _proxy: Any) -> None:
    """
    Try a connection that was idle: the database may have been restarted meanwhile.

    A busy one is not tried before every commit, as SQLAlchemy would: its commits show it.
    """
    if time.monotonic() - record.info.get(_USED_S, time.monotonic()) < FRESH_S:
        return
    try:
        driver.execute("SELECT 1")
        driver.rollback()
    except psycopg.Error as error:
        raise sa.exc.InvalidatePoolError from error


# ---------------------------------------------------------------- arrays


class Int8Array(bytes):
    """An array of bigint in binary form."""

    oid = 1016


class TextArray(bytes):
    """An array of text in binary form."""

    oid = 1009


class ByteaArray(bytes):
    """An array of bytea in binary form."""

    oid = 1001


class _AsItIs(Dumper):
    format = Format.BINARY

    def dump(self, obj: Any) -> Buffer | None:
        return bytes(obj)


class _Int8s(_AsItIs):
    oid = Int8Array.oid


class _Texts(_AsItIs):
    oid = TextArray.oid


class _Byteas(_AsItIs):
    oid = ByteaArray.oid


_DUMPERS: dict[type, type[Dumper]] = {Int8Array: _Int8s, TextArray: _Texts, ByteaArray: _Byteas}
_HEAD = struct.Struct(">iiIii")  # dimensions, has NULL, type of an element, how many, the first index
_NULL = b"\xff\xff\xff\xff"
_LENGTH = struct.Struct(">i").pack
_INT8 = struct.Struct(">iq").pack


def int8_array(values: Sequence[int | None]) -> Int8Array:
    """Whole numbers as an array. Their type is the same however small they are, so its plan is too."""
    return Int8Array(_array(20, [_NULL if v is None else _INT8(INT8_BYTES, v) for v in values]))


def text_array(values: Sequence[str | None]) -> TextArray:
    """Texts as an array."""
    return TextArray(_array(25, [_NULL if v is None else _with_length(v.encode()) for v in values]))


def bytea_array(values: Sequence[bytes]) -> ByteaArray:
    """Contents as an array."""
    return ByteaArray(_array(17, [_with_length(value) for value in values]))


def _with_length(content: bytes) -> bytes:
    return _LENGTH(len(content)) + content


def _array(oid: int, elements: Sequence[bytes]) -> bytes:
    return b"".join((_HEAD.pack(1, _NULL in elements, oid, len(elements), 1), *elements))
