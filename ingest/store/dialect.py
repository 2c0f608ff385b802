"""
Where the two databases differ.

Hot paths give the driver plain SQL and tuples: measured, SQLAlchemy's own insert of a list of dicts
reaches half of that on SQLite, and `insert().values(list)` a fortieth.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert as _postgres_insert
from sqlalchemy.dialects.sqlite import insert as _sqlite_insert

from ingest.marks import Ranges, count

NumberArray = npt.NDArray[np.int64] | npt.NDArray[np.float64]

_COPY_HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_TRAILER = b"\xff\xff"
MOST_RANGES = 8  # more than that are asked for as a list; chosen
LOOKUP_CHUNK = 5_000  # values in one IN list; SQLite takes 32 766 variables


def is_sqlite(connection: sa.Connection) -> bool:
    """True on SQLite, False on PostgreSQL."""
    return connection.dialect.name == "sqlite"


def insert(connection: sa.Connection, table: sa.Table) -> Any:
    """An insert that knows ON CONFLICT, for either database."""
    return _sqlite_insert(table) if is_sqlite(connection) else _postgres_insert(table)


@cache
def _for_postgres(sql: str) -> str:
    return sql.replace("?", "%s")


def run(connection: sa.Connection, sql: str, parameters: tuple[Any, ...] | list[tuple[Any, ...]]) -> Any:
    """Run plain SQL with ? for values: the hot paths' way around the cost of building statements."""
    return connection.exec_driver_sql(sql if is_sqlite(connection) else _for_postgres(sql), parameters)


def put_columns(
    connection: sa.Connection, table: str, fixed: Mapping[str, int], columns: Mapping[str, NumberArray]
) -> None:
    """
    Insert many rows of numbers fast; a key that is taken fails the transaction.

    fixed : column -> the value all rows share. columns : column -> array of int64 or float64, shape (n,);
        NaN becomes NULL.
    """
    names = (*fixed, *columns)
    arrays = list(columns.values())
    if is_sqlite(connection):
        # SQLite takes a NaN for NULL (sqlite.org/c3ref/bind_blob.html).
        shared = [[value] * len(arrays[0]) for value in fixed.values()]
        rows = zip(*shared, *(array.tolist() for array in arrays), strict=True)
        connection.exec_driver_sql(_insert_sql(table, names), list(rows))
        return
    full = [np.full(len(arrays[0]), value, dtype=np.int64) for value in fixed.values()]
    driver: Any = connection.connection.driver_connection
    with driver.cursor() as cursor, cursor.copy(_copy_sql(table, names)) as copy:
        copy.write(binary_copy([*full, *arrays]))


@cache
def _insert_sql(table: str, columns: tuple[str, ...]) -> str:
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


@cache
def _copy_sql(table: str, columns: tuple[str, ...]) -> str:
    return f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"


def binary_copy(columns: Sequence[NumberArray]) -> bytes:
    """
    The bytes of a binary COPY of rows of 8-byte numbers, all rows at once.

    columns : int64 or float64, shape (n,) each; NaN becomes NULL.
    A field is its length (4 bytes, -1 for NULL) and its value, big end first.
    Source: PostgreSQL manual, COPY, Binary Format. Measured: row by row through the driver takes 8x as long.
    """
    many, width = len(columns[0]), 2 + 12 * len(columns)
    table = np.zeros((many, width), dtype=np.uint8)
    table[:, 0:2] = np.frombuffer(len(columns).to_bytes(2, "big"), dtype=np.uint8)
    kept: npt.NDArray[np.bool_] | None = None
    for index, column in enumerate(columns):
        at = 2 + 12 * index
        table[:, at + 3] = 8
        table[:, at + 4 : at + 12] = column.byteswap().view(np.uint8).reshape(many, 8)
        if column.dtype == np.float64 and (absent := np.isnan(column)).any():
            kept = np.ones((many, width), dtype=np.bool_) if kept is None else kept
            table[absent, at : at + 4] = 0xFF
            kept[absent, at + 4 : at + 12] = False
    body = table.tobytes() if kept is None else table[kept].tobytes()
    return _COPY_HEADER + body + _COPY_TRAILER


def among(column: sa.ColumnElement[int], numbers: Ranges) -> Iterator[sa.ColumnElement[bool]]:
    """
    Conditions, one a query, that together find `column` among `numbers`.

    Numbers with holes become one range where that reads little more than asked, or lists where there are
    too many ranges to ask for one by one.
    """
    if len(numbers) > 1 and numbers[-1][1] - numbers[0][0] < 4 * count(numbers):
        numbers = ((numbers[0][0], numbers[-1][1]),)
    if len(numbers) <= MOST_RANGES:
        yield from (column.between(first, last) for first, last in numbers)
        return
    single = [number for first, last in numbers for number in range(first, last + 1)]
    yield from (column.in_(piece) for piece in chunks(single))


def chunks(values: Sequence[Any], size: int = LOOKUP_CHUNK) -> Iterator[Sequence[Any]]:
    """The values in pieces small enough for one IN list."""
    iterator = iter(values)
    while piece := list(itertools.islice(iterator, size)):
        yield piece
