"""
Where the two databases differ.

Hot paths give the driver plain SQL and tuples: measured, SQLAlchemy's own insert of a list of dicts
reaches half of that on SQLite, and `insert().values(list)` a fortieth.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import insert as _postgres_insert
from sqlalchemy.dialects.sqlite import insert as _sqlite_insert

from ingest.marks import Ranges, count

MOST_RANGES = 8  # more than that are asked for as a list; chosen
LOOKUP_CHUNK = 5_000  # values in one IN list; SQLite takes 32 766 variables


def is_sqlite(connection: sa.Connection) -> bool:
    """True on SQLite, False on PostgreSQL."""
    return connection.dialect.name == "sqlite"


def insert(connection: sa.Connection, table: sa.Table) -> Any:
    """An insert that knows ON CONFLICT, for either database."""
    return _sqlite_insert(table) if is_sqlite(connection) else _postgres_insert(table)


@cache
def insert_sql(table: str, columns: tuple[str, ...], *, sqlite: bool) -> str:
    """A plain insert with the driver's placeholders."""
    marks = ", ".join("?" if sqlite else "%s" for _ in columns)
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})"


@cache
def copy_sql(table: str, columns: tuple[str, ...]) -> str:
    """A binary COPY into a table, PostgreSQL only."""
    return f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"


def put_rows(
    connection: sa.Connection,
    table: sa.Table,
    columns: tuple[str, ...],
    types: Sequence[str],
    rows: Iterable[tuple[Any, ...]],
) -> None:
    """
    Insert many rows fast; a key that is taken fails the transaction.

    types : PostgreSQL's names of the column types, for the binary COPY.
    """
    if is_sqlite(connection):
        connection.exec_driver_sql(insert_sql(table.name, columns, sqlite=True), list(rows))
        return
    driver: Any = connection.connection.driver_connection
    with driver.cursor() as cursor, cursor.copy(copy_sql(table.name, columns)) as copy:
        copy.set_types(types)
        for row in rows:
            copy.write_row(row)


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
