"""
The differences of the two databases.

Hot paths give the driver plain SQL and tuples: measured, SQLAlchemy's own insert of a list of dicts
reaches half of that on SQLite, and `insert().values(list)` a fortieth.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, lru_cache
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa
from psycopg.abc import Buffer
from psycopg.adapt import Loader
from psycopg.pq import Format
from sqlalchemy.dialects.postgresql import insert as _postgres_insert
from sqlalchemy.dialects.sqlite import insert as _sqlite_insert

from cleanside.ingest.store import round_trips
from cleanside.ingest.store.marks import Ranges, count
from cleanside.ingest.store.round_trips import Statement, for_postgres

V = TypeVar("V")

NumberArray = npt.NDArray[np.int64] | npt.NDArray[np.float64]

_COPY_HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_TRAILER = b"\xff\xff"
STATEMENT_ROWS = (
    512  # in one statement of SQLite, of up to 22 columns: 11 264 of the 32 766 values that it takes
)
MOST_RANGES = 8  # more values go into a list; chosen
LOOKUP_CHUNK = 5_000  # values in one IN list; SQLite takes 32 766 variables


def is_sqlite(connection: sa.Connection) -> bool:
    """True on SQLite, False on PostgreSQL."""
    return connection.dialect.name == "sqlite"


def insert(connection: sa.Connection, table: sa.Table) -> Any:
    """An insert that knows ON CONFLICT, for either database."""
    return _sqlite_insert(table) if is_sqlite(connection) else _postgres_insert(table)


def run(connection: sa.Connection, sql: str, parameters: tuple[Any, ...] | list[tuple[Any, ...]]) -> Any:
    """Run plain SQL with ? for values: the hot paths' way around the cost of building statements."""
    return connection.exec_driver_sql(sql if is_sqlite(connection) else for_postgres(sql), parameters)


#: kind of a column -> its values as one array
_ARRAYS: Mapping[str, Callable[[Sequence[Any]], bytes]] = {
    "int8": round_trips.int8_array,
    "text": round_trips.text_array,
    "bytea": round_trips.bytea_array,
}


def run_with_rows(
    connection: sa.Connection, sql: str, kinds: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> None:
    """
    Run a statement without an answer that has rows in place of {}.

    kinds : of each column: int8, text or bytea. In `sql` they are called column1, column2 and so on.
    Not `executemany`: on SQLite that releases Python's lock and waits for it again at every row. On
    PostgreSQL each column is one array, so that the statement and its plan are the same for any number of
    rows.
    """
    for statement in with_rows(connection, sql, kinds, rows):
        if is_sqlite(connection):
            round_trips.run_in_sqlite(connection, *statement)
        elif not round_trips.put_off(connection, *statement):
            run(connection, *statement)


def with_rows(
    connection: sa.Connection, sql: str, kinds: tuple[str, ...], rows: Sequence[tuple[Any, ...]]
) -> list[Statement]:
    """The same, for `round_trips.ask`, where it has an answer. On SQLite several statements."""
    if not is_sqlite(connection):
        columns = zip(kinds, zip(*rows, strict=True), strict=True)
        return [(_with_arrays(sql, kinds), tuple(_ARRAYS[kind](values) for kind, values in columns))]
    return [
        (_with_values(sql, len(kinds), len(piece)), tuple(itertools.chain.from_iterable(piece)))
        for piece in in_sizes(rows)
    ]


@lru_cache(maxsize=256)
def _with_values(sql: str, columns: int, rows: int) -> str:
    one = f"({marks(range(columns))})"
    return sql.format(f"VALUES {', '.join([one] * rows)}")


@cache
def _with_arrays(sql: str, kinds: tuple[str, ...]) -> str:
    names = ", ".join(f"column{place}" for place in range(1, len(kinds) + 1))
    return sql.format(f"SELECT * FROM unnest({marks(kinds)}) AS given({names})")


def marks(values: Sequence[Any]) -> str:
    """A ? for each value, for an IN list of plain SQL."""
    return ", ".join("?" * len(values))


def overwrite_freed(connection: sa.Connection) -> None:
    """
    Overwrite old values from now on when this connection changes them, so that no freed page keeps one.

    SQLite: sqlite.org/pragma.html, secure_delete. PostgreSQL keeps old rows until its vacuum, as it does.
    """
    if is_sqlite(connection):
        connection.exec_driver_sql("PRAGMA secure_delete=ON")


def absent(connection: sa.Connection) -> str:
    """A number, in SQL, that `floats` gives as NaN. SQLite has infinity, but no NaN."""
    return "9e999" if is_sqlite(connection) else "'NaN'::float8"


def floats(
    connection: sa.Connection, sql: str, parameters: tuple[Any, ...], width: int
) -> npt.NDArray[np.float64]:
    """
    The rows of a query of plain SQL whose values are all numbers, `width` a row, as shape (width, rows).

    PostgreSQL: a column as one array, which numpy reads in place; row by row, also by
    COPY, it takes four times as long. SQLite: flat, because making the array from tuples takes as long
    as the query.
    """
    if is_sqlite(connection):
        result = run(connection, sql, parameters)
        flat = np.fromiter(itertools.chain.from_iterable(result.cursor), dtype=np.float64)
        result.close()
        flat[np.isinf(flat)] = np.nan
        return np.ascontiguousarray(flat.reshape(-1, width).T)
    names = [f"c{i}" for i in range(width)]
    columns = ", ".join(f"array_agg({name}::float8)" for name in names)
    round_trips.catch_up(connection)
    driver: Any = connection.connection.driver_connection
    with driver.cursor(binary=True) as cursor:
        cursor.adapters.register_loader(cursor.adapters.types["float8"].array_oid, _FloatsLoader)
        whole = f"SELECT {columns} FROM ({sql}) AS s({', '.join(names)})"
        [found] = cursor.execute(for_postgres(whole), parameters).fetchall()
    return np.stack(found) if found[0] is not None else np.empty((width, 0))


class _FloatsLoader(Loader):
    """
    An array of float8 without NULL as numbers of numpy.

    20 bytes of one dimension's head, then of each its length (4 bytes) and its value, big end first. Source:
    PostgreSQL, src/backend/utils/adt/arrayfuncs.c, array_send.
    """

    format = Format.BINARY

    def load(self, data: Buffer) -> npt.NDArray[np.float64]:
        element = np.dtype([("bytes", ">i4"), ("value", ">f8")])
        return np.frombuffer(data, dtype=element, offset=20)["value"].astype(np.float64)


class EncodedNumbers(NamedTuple):
    """
    Rows of numbers in the driver's form, without the first column, which all share and `put` adds.

    Encoding is most of the work of an insert; made ahead, it keeps the one writing thread free.
    """

    table: str
    names: tuple[str, ...]
    many: int
    #: SQLite: values row by row
    flat: list[Any]
    #: PostgreSQL: fields of a binary COPY, shape (count, width), and which of the bytes count; None: all
    fields: npt.NDArray[np.uint8] | None
    kept: npt.NDArray[np.bool_] | None


def encode(
    table: str, first: str, columns: Mapping[str, NumberArray | int], *, sqlite: bool
) -> EncodedNumbers:
    """
    Encode rows for `put`.

    first : name of the column all rows share. columns : name -> int64 or float64, shape (n,), NaN becomes
        NULL; or one number for all rows. At least one is an array.
    """
    names = (first, *columns)
    many = next(len(column) for column in columns.values() if not isinstance(column, int))
    if sqlite:
        return EncodedNumbers(table, names, many, _flat(columns, many), None, None)
    fields, kept = _binary_fields(columns, many)
    return EncodedNumbers(table, names, many, [], fields, kept)


def put(connection: sa.Connection, batches: Sequence[tuple[EncodedNumbers, int]]) -> None:
    """
    Insert encoded rows, each batch with the value of its first column; a key in use fails the transaction.

    On SQLite one statement inserts many rows. Not `executemany`: that releases Python's lock and takes it
    again for every row, so that a busy event loop slows it down several times over.
    """
    alike: dict[tuple[str, tuple[str, ...]], list[tuple[EncodedNumbers, int]]] = {}
    for rows, shared in batches:
        alike.setdefault((rows.table, rows.names), []).append((rows, shared))
    for (table, names), group in alike.items():
        if is_sqlite(connection):
            _put_in_sqlite(connection, table, names, group)
            continue
        round_trips.catch_up(connection)
        driver: Any = connection.connection.driver_connection
        with driver.cursor() as cursor, cursor.copy(_copy_sql(table, names)) as copy:
            copy.write(_COPY_HEADER)
            for rows, shared in group:
                copy.write(_copied(rows, shared))
            copy.write(_COPY_TRAILER)


def _put_in_sqlite(
    connection: sa.Connection, table: str, names: tuple[str, ...], group: list[tuple[EncodedNumbers, int]]
) -> None:
    width = len(names)
    flat: list[Any] = []
    for rows, shared in group:
        rows.flat[0::width] = [shared] * rows.many
        flat += rows.flat
    for numbers in in_sizes(range(len(flat) // width)):
        piece = tuple(flat[numbers[0] * width : (numbers[-1] + 1) * width])
        connection.exec_driver_sql(_insert_sql(table, names, len(numbers)), piece)


def _flat(columns: Mapping[str, NumberArray | int], many: int) -> list[Any]:
    width = len(columns) + 1
    flat: list[Any] = [None] * (many * width)
    for index, column in enumerate(columns.values(), start=1):
        # SQLite takes a NaN for NULL (sqlite.org/c3ref/bind_blob.html).
        flat[index::width] = [column] * many if isinstance(column, int) else column.tolist()
    return flat


@lru_cache(maxsize=256)
def _insert_sql(table: str, columns: tuple[str, ...], rows: int) -> str:
    one = f"({', '.join('?' * len(columns))})"
    return f"INSERT INTO {table} ({', '.join(columns)}) VALUES {', '.join([one] * rows)}"


@cache
def _copy_sql(table: str, columns: tuple[str, ...]) -> str:
    return f"COPY {table} ({', '.join(columns)}) FROM STDIN (FORMAT BINARY)"


def _binary_fields(
    columns: Mapping[str, NumberArray | int], many: int
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_] | None]:
    """
    Fields of a binary COPY of 8-byte numbers, all rows at once, the first left open.

    A field is its length (4 bytes, -1 for NULL) and its value, big end first.
    Source: PostgreSQL manual, COPY, Binary Format. Row by row through the driver takes several times as long.
    """
    width = 2 + 12 * (len(columns) + 1)
    fields = np.zeros((many, width), dtype=np.uint8)
    fields[:, 0:2] = _bytes_of(len(columns) + 1, 2)
    fields[:, 5::12] = 8
    kept: npt.NDArray[np.bool_] | None = None
    for index, column in enumerate(columns.values(), start=1):
        at = 2 + 12 * index + 4
        if isinstance(column, int):
            fields[:, at : at + 8] = _bytes_of(column, 8)
            continue
        fields[:, at : at + 8] = column.byteswap().view(np.uint8).reshape(many, 8)
        if column.dtype == np.float64 and (absent := np.isnan(column)).any():
            kept = np.ones((many, width), dtype=np.bool_) if kept is None else kept
            fields[absent, at - 4 : at] = 0xFF
            kept[absent, at : at + 8] = False
    return fields, kept


def _bytes_of(number: int, length: int) -> npt.NDArray[np.uint8]:
    return np.frombuffer(number.to_bytes(length, "big", signed=True), dtype=np.uint8)


def _copied(rows: EncodedNumbers, shared: int) -> bytes:
    assert rows.fields is not None
    rows.fields[:, 6:14] = _bytes_of(shared, 8)
    return rows.fields.tobytes() if rows.kept is None else rows.fields[rows.kept].tobytes()


def among(column: sa.ColumnElement[int], numbers: Ranges) -> Iterator[sa.ColumnElement[bool]]:
    """
    Conditions, one a query, that together find `column` among `numbers`.

    Numbers with holes become one range where that reads few extra rows, or lists where there are too many
    ranges for a query each.
    """
    if len(numbers) > 1 and numbers[-1][1] - numbers[0][0] < 4 * count(numbers):
        numbers = ((numbers[0][0], numbers[-1][1]),)
    if len(numbers) <= MOST_RANGES:
        yield from (column.between(first, last) for first, last in numbers)
        return
    single = [number for first, last in numbers for number in range(first, last + 1)]
    yield from (column.in_(piece) for piece in in_lists(single))


def ranges(connection: sa.Connection, numbers: sa.Select[int]) -> Ranges:
    """The numbers `seq` of a query as ranges: numbers that rise in step with their rank make one range."""
    ranked = numbers.add_columns(
        (sa.column("seq") - sa.func.row_number().over(order_by=sa.column("seq"))).label("run")
    ).subquery()
    first = sa.func.min(ranked.c.seq)
    query = sa.select(first, sa.func.max(ranked.c.seq)).group_by(ranked.c.run).order_by(first)
    return tuple((a, b) for a, b in connection.execute(query))


# ---------------------------------------------------------------- how many values a statement has
#
# A driver keeps the statements that it has prepared, and takes one with another number of values for another
# statement. With any number from 1 to 100 a connection of SQLite prepared most of them again and again, and
# kept megabytes of lists and rows that it hardly met a second time (`tests.benchmark.bench_growth`). So a
# list or a set of rows has 1, 2, 3, 4, 6, 8, 12, 16, 24 values and so on.


def in_lists(values: Sequence[V]) -> Iterator[Sequence[V]]:
    """The values in pieces for one IN list each; `padded`."""
    return map(padded, chunks(values, LOOKUP_CHUNK))


def padded(values: Sequence[V]) -> Sequence[V]:
    """The values, the last one again and again up to the next size: an IN list of them means the same."""
    missing = _size_above(len(values)) - len(values)
    return [*values, *[values[-1]] * missing] if missing else values


def in_sizes(rows: Sequence[V]) -> Iterator[Sequence[V]]:
    """The rows in pieces of these sizes, none above `STATEMENT_ROWS`, the largest first."""
    first = 0
    while first < len(rows):
        size = _size_below(min(len(rows) - first, STATEMENT_ROWS))
        yield rows[first : first + size]
        first += size


def _size_below(many: int) -> int:
    """The largest size that is not above a number; 0: that is below 1."""
    power = 1 << many.bit_length() >> 1
    return power + power // 2 if many >= power + power // 2 else power


def _size_above(many: int) -> int:
    """The smallest size that is not below a number."""
    below = _size_below(many)
    if below == many:
        return many
    power = 1 << many.bit_length() >> 1
    return power + power // 2 if below == power else 2 * power


def chunks(values: Sequence[V], size: int) -> Iterator[Sequence[V]]:
    """The values in pieces of at most so many."""
    iterator = iter(values)
    while piece := list(itertools.islice(iterator, size)):
        yield piece
