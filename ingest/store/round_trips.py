"""
Statements that cross to PostgreSQL together: a commit of readings takes two round trips.

Each round trip costs the writing thread its turn of Python's lock and wakes two processes, and each statement
through SQLAlchemy and the driver's cursor costs about as much as PostgreSQL takes for it. So questions are
asked together, with the BEGIN before them, and what is put off goes with the COMMIT, by libpq's own calls.
Promises: statements that are put off are sent in their order, before any other statement of their connection
or with the COMMIT, so each sees what those before it wrote. One that fails fails the transaction, as ever. A
rollback forgets them. On SQLite, which is in this process, nothing is put off, and the driver runs them.
Leaves to others: which statements (`ingest.store.dialect` and the files of their nouns).

Source: PostgreSQL manual, libpq, "Pipeline Mode"; src/backend/utils/adt/arrayfuncs.c, array_recv.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from typing import Any

import psycopg
import sqlalchemy as sa
from psycopg import generators
from psycopg.abc import Buffer, PQGen
from psycopg.adapt import Dumper, Transformer
from psycopg.pq import ExecStatus, Format, TransactionStatus
from psycopg.pq.abc import PGconn, PGresult
from sqlalchemy import event

_PUT_OFF = "put_off"  # in the `info` of a connection: statements and their values
_MAY = "may_put_off"  # in the same: they may be
_PREPARED = "prepared"  # in the same: statements that its process in PostgreSQL has prepared
_USED_S = "used_s"  # in the same: when it was last given back [s of the monotonic clock]
FRESH_S = 1.0  # a connection that was used since then is not tried before its next use; chosen
INT8_BYTES = 8

#: SQL with ? for values, and the values: whole numbers, texts and the arrays below
Statement = tuple[str, tuple[Any, ...]]


@cache
def for_postgres(sql: str) -> str:
    """Plain SQL with ? for values in the driver's form."""
    return sql.replace("?", "%s")


# ---------------------------------------------------------------- together


def ask(connection: sa.Connection, questions: Sequence[Statement]) -> list[list[tuple[Any, ...]]]:
    """The rows of each question. On PostgreSQL in one round trip, with the BEGIN where it is still due."""
    if connection.dialect.name == "sqlite":
        return [run_in_sqlite(connection, *question).fetchall() for question in questions]
    _have_begun(connection)
    statements = [*_taken(connection), *questions]
    driver = _driver(connection)
    if driver.info.transaction_status == TransactionStatus.IDLE:
        answers = _first_exchange(connection, statements)
    else:
        answers = _exchange(connection, statements)
    return [_rows(driver, answer) for answer in answers[-len(questions) :]] if questions else []


def run_in_sqlite(connection: sa.Connection, sql: str, values: tuple[Any, ...]) -> sqlite3.Cursor:
    """
    Run a statement by SQLite's driver itself. Raises what SQLAlchemy's way raises.

    For commits of readings: that way takes longer than SQLite takes for most of their statements.
    """
    _have_begun(connection)
    driver: sqlite3.Connection = connection.connection.driver_connection  # type: ignore[assignment]
    try:
        return driver.execute(sql, values)
    except sqlite3.Error as error:
        about: dict[str, Any] = {"hide_parameters": True, "dialect": connection.dialect}
        raise sa.exc.DBAPIError.instance(sql, values, error, sqlite3.Error, **about) from error


def _rows(driver: psycopg.Connection[Any], answer: PGresult) -> list[tuple[Any, ...]]:
    reader = Transformer(driver)
    reader.set_pgresult(answer)
    return reader.load_rows(0, answer.ntuples, tuple)


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
    if not connection.info.get(_PUT_OFF):
        return
    if _driver(connection).info.transaction_status == TransactionStatus.IDLE:
        _first_exchange(connection, _taken(connection))
    else:
        _exchange(connection, _taken(connection))


def _taken(connection: sa.Connection) -> list[Statement]:
    waiting: list[Statement] = connection.info.pop(_PUT_OFF, [])
    return waiting


def _driver(connection: sa.Connection) -> psycopg.Connection[tuple[Any, ...]]:
    driver: Any = connection.connection.driver_connection
    return driver  # type: ignore[no-any-return]


# ---------------------------------------------------------------- by libpq


def _first_exchange(connection: sa.Connection, statements: Sequence[Statement]) -> list[PGresult]:
    """
    Begin a transaction with these statements.

    The driver forgets every prepared statement of the connection when it sees one of certain statements, like
    a DROP. Then these are prepared again: nothing was written before.
    """
    try:
        return _exchange(connection, [("BEGIN", ()), *statements])[1:]
    except psycopg.errors.InvalidSqlStatementName:
        _driver(connection).rollback()
        connection.info.pop(_PREPARED, None)
        return _exchange(connection, [("BEGIN", ()), *statements])[1:]


def _exchange(connection: sa.Connection, statements: Sequence[Statement]) -> list[PGresult]:
    """
    Send statements in one piece, and return the answer of each. Those with values are prepared once.

    Raises the driver's error of the first that failed; those behind it were not carried out then.
    """
    driver = _driver(connection)
    link, prepared = driver.pgconn, connection.info.setdefault(_PREPARED, set())
    #: of each message the statement that it prepares; None: it carries one out
    prepares: list[str | None] = []
    try:
        link.enter_pipeline_mode()
        for sql, values in statements:
            if not values:
                link.send_query_params(sql.encode(), None)
                prepares.append(None)
                continue
            kinds, contents = zip(*map(_in_binary, values), strict=True)
            if sql not in prepared and sql not in prepares:
                link.send_prepare(_name(sql), _numbered(sql), kinds)
                prepares.append(sql)
            link.send_query_prepared(_name(sql), contents, [Format.BINARY] * len(contents))
            prepares.append(None)
        link.pipeline_sync()
        answers = driver.wait(_answers(link, len(prepares)))
        link.exit_pipeline_mode()
    except BaseException:  # answers may be on their way that no caller would take
        driver.close()
        connection.invalidate()
        raise
    for answer, sql_prepared in zip(answers, prepares, strict=True):
        if answer.status == ExecStatus.FATAL_ERROR:
            raise psycopg.errors.error_from_result(answer, encoding=driver.info.encoding)
        if sql_prepared is not None:
            prepared.add(sql_prepared)
    return [answer for answer, sql_prepared in zip(answers, prepares, strict=True) if sql_prepared is None]


def _answers(link: PGconn, many: int) -> PQGen[list[PGresult]]:
    yield from generators.send(link)
    answers: list[PGresult] = []
    for _ in range(many):
        answers += yield from generators.fetch_many(link)
    yield from generators.fetch_many(link)  # the end of the piece
    return answers


@cache
def _name(sql: str) -> bytes:
    """The name of a prepared statement."""
    return b"cleanside_" + hashlib.sha256(sql.encode()).hexdigest()[:32].encode()


@cache
def _numbered(sql: str) -> bytes:
    """Plain SQL with ? for values in PostgreSQL's own form."""
    first, *parts = sql.split("?")
    return (first + "".join(f"${place}{part}" for place, part in enumerate(parts, 1))).encode()


def _in_binary(value: Any) -> tuple[int, bytes]:
    """The type of a value, as PostgreSQL numbers them, and its binary form."""
    if isinstance(value, int):
        return _OF_INT8, value.to_bytes(INT8_BYTES, "big", signed=True)
    if isinstance(value, str):
        return _OF_TEXT, value.encode()
    return value.oid, value


# ---------------------------------------------------------------- a connection that does so


def attend(engine: sa.Engine) -> None:
    """Let the connections of an engine of PostgreSQL put statements off; `ask` needs it too."""
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _forget)
    event.listen(engine, "before_cursor_execute", _before)
    event.listen(engine, "commit", _commit)
    event.listen(engine, "rollback", _forget)
    event.listen(engine, "checkin", _note_use)
    event.listen(engine, "checkout", _try_where_idle)


def _prepare(driver: Any, _record: Any) -> None:
    for kind, dumper in _DUMPERS.items():
        driver.adapters.register_dumper(kind, dumper)


def _before(connection: sa.Connection, *_statement: Any) -> None:
    catch_up(connection)


def _commit(connection: sa.Connection) -> None:
    """Where something was put off, the COMMIT goes with it: nothing is left for the one that follows."""
    if not connection.info.get(_PUT_OFF):
        return
    if _driver(connection).info.transaction_status == TransactionStatus.IDLE:
        catch_up(connection)
    *_, committed = _exchange(connection, [*_taken(connection), ("COMMIT", ())])
    if committed.command_status != b"COMMIT":
        raise RuntimeError(f"COMMIT was answered with {committed.command_status!r}")


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
_OF_INT8, _OF_TEXT, _OF_BYTEA = 20, 25, 17  # as PostgreSQL numbers types (pg_type.dat)
_HEAD = struct.Struct(">iiIii")  # dimensions, has NULL, type of an element, how many, the first index
_NULL = b"\xff\xff\xff\xff"
_LENGTH = struct.Struct(">i").pack
_INT8 = struct.Struct(">iq").pack


def int8_array(values: Sequence[int | None]) -> Int8Array:
    """Whole numbers as an array. Their type is the same however small they are, so its plan is too."""
    return Int8Array(_array(_OF_INT8, [_NULL if v is None else _INT8(INT8_BYTES, v) for v in values]))


def text_array(values: Sequence[str | None]) -> TextArray:
    """Texts as an array."""
    return TextArray(_array(_OF_TEXT, [_NULL if v is None else _with_length(v.encode()) for v in values]))


def bytea_array(values: Sequence[bytes | None]) -> ByteaArray:
    """Contents as an array."""
    return ByteaArray(_array(_OF_BYTEA, [_NULL if v is None else _with_length(v) for v in values]))


def _with_length(content: bytes) -> bytes:
    return _LENGTH(len(content)) + content


def _array(oid: int, elements: Sequence[bytes]) -> bytes:
    return b"".join((_HEAD.pack(1, _NULL in elements, oid, len(elements), 1), *elements))
