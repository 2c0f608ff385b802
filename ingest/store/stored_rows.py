"""
Readings at rest as rows: every statement on the table `readings`.

Promises: a number of a stream is in one row; on SQLite the key of the table holds it, on PostgreSQL the key
of each month and `refuse_twice`.
Leaves to others: what is new, locks on streams, the hours (`ingest.store.hours`), exact instants
(`ingest.store.readings`). Only `ingest.store.stored` uses this file.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store import dialect
from cleanside.ingest.store.at_rest import (
    COLUMNS,
    QUANTITY_COLUMNS,
    WHOLE,
    Arrays,
    HourColumns,
    NewReadings,
    StoredReadingRow,
    StoredTime,
    is_absent,
)
from cleanside.ingest.store.dialect import EncodedNumbers
from cleanside.ingest.store.marks import Range, Ranges
from cleanside.ingest.store.models import exact_times, original_times, readings, streams, unit_sets
from cleanside.ingest.store.time_steps import TimeSteps
from cleanside.ingest.store.whole_readings import WholeReadings, none_of

# ---------------------------------------------------------------- write


def encode(new: NewReadings, *, sqlite: bool) -> EncodedNumbers:
    """The work of an insert that needs no database."""
    columns: dict[str, dialect.NumberArray | int] = {"seq": new.seq, "at_us": new.at_us}
    columns |= {"content_hash": new.content_hash}
    columns |= {"unit_set_id": new.unit_set_id, "received_us": new.received_us}
    optional = {"at_uncertainty_s": new.at_uncertainty_s, **new.values}
    columns |= {name: column for name, column in optional.items() if not is_absent(column)}
    return dialect.encode("readings", "stream_id", columns, sqlite=sqlite)


def put(connection: sa.Connection, batches: Sequence[tuple[int, EncodedNumbers]]) -> None:
    """Store new readings of (stream, encoded)."""
    dialect.put(connection, [(encoded, stream_id) for stream_id, encoded in batches])


def put_back(connection: sa.Connection, stream_id: int, rows: Sequence[StoredReadingRow]) -> None:
    """Store readings as `remove` gave them, under a stream."""
    names = [column.name for column in readings.columns if column.name != "stream_id"]
    values = [{name: row.get(name) for name in names} | {"stream_id": stream_id} for row in rows]
    connection.execute(sa.insert(readings), values)


def remove(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """Delete these numbers, and return what was stored under them."""
    removed: list[StoredReadingRow] = []
    for first, last in numbers:
        conditions = readings.c.stream_id == stream_id, readings.c.seq.between(first, last)
        rows = connection.execute(sa.select(readings).where(*conditions)).mappings()
        removed += [dict(row) for row in rows]
        connection.execute(sa.delete(readings).where(*conditions))
    return removed


_WHOLE_ROW = sa.select(readings)


def lowest(
    connection: sa.Connection, stream_id: int, *, limit: int, lock: bool = False
) -> list[StoredReadingRow]:
    """The rows with the lowest numbers of a stream, in order. lock : until the transaction ends."""
    query = _WHOLE_ROW.where(readings.c.stream_id == stream_id).order_by(readings.c.seq).limit(limit)
    query = query.with_for_update() if lock else query
    return [dict(row) for row in connection.execute(query).mappings()]


def among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """The rows of these numbers."""
    found: list[StoredReadingRow] = []
    for condition in dialect.among(readings.c.seq, numbers):
        query = _WHOLE_ROW.where(readings.c.stream_id == stream_id, condition)
        found += [dict(row) for row in connection.execute(query).mappings()]
    wanted = {number for first, last in numbers for number in range(first, last + 1)}
    return [row for row in found if row["seq"] in wanted]


def count(connection: sa.Connection) -> int:
    """How many rows, counted over the whole table: for a command, not for a request."""
    return connection.scalar(sa.select(sa.func.count()).select_from(readings)) or 0


def with_rows(connection: sa.Connection) -> list[int]:
    """The streams that have rows."""
    of_stream = sa.select(readings.c.seq).where(readings.c.stream_id == streams.c.id)
    return list(connection.scalars(sa.select(streams.c.id).where(of_stream.exists()).order_by(streams.c.id)))


def replace_times(connection: sa.Connection, stream_id: int, times: Sequence[StoredTime]) -> None:
    """Change the times of stored readings, and nothing else."""
    statement = sa.update(readings).where(
        readings.c.stream_id == stream_id, readings.c.seq == sa.bindparam("of_seq")
    )
    values: dict[str, Any] = {
        "at_us": sa.bindparam("to_us"),
        "at_uncertainty_s": sa.bindparam("to_uncertainty_s"),
    }
    rows = [{"of_seq": t.seq, "to_us": t.at_us, "to_uncertainty_s": t.at_uncertainty_s} for t in times]
    connection.execute(statement.values(values), rows)


def give(connection: sa.Connection, old_id: int, new_id: int, numbers: Range) -> None:
    """Move these numbers to a stream that has none of them."""
    conditions = readings.c.stream_id == old_id, readings.c.seq.between(*numbers)
    connection.execute(sa.update(readings).where(*conditions).values(stream_id=new_id))


def refuse_twice(connection: sa.Connection, stream_id: int, numbers: Ranges) -> None:
    """Raise RuntimeError where one of these numbers is in two months. On SQLite one key covers all months."""
    if dialect.is_sqlite(connection):
        return
    query = sa.select(readings.c.seq).where(readings.c.stream_id == stream_id)
    query = query.group_by(readings.c.seq).having(sa.func.count() > 1).limit(1)
    for among in dialect.among(readings.c.seq, numbers):
        twice = connection.scalar(query.where(among))
        if twice is not None:
            raise RuntimeError(f"number {twice} of stream {stream_id} would stand twice; nothing is written")


# ---------------------------------------------------------------- read by number


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash of the stored ones among these numbers."""
    by_number: dict[int, int] = {}
    query = sa.select(readings.c.seq, readings.c.content_hash).where(readings.c.stream_id == stream_id)
    for among in dialect.among(readings.c.seq, numbers):
        by_number.update((seq, value) for seq, value in connection.execute(query.where(among)))
    return by_number


def ranges(connection: sa.Connection, stream_id: int) -> Ranges:
    """The stored numbers of a stream."""
    return dialect.ranges(connection, sa.select(readings.c.seq).where(readings.c.stream_id == stream_id))


_TIMES = "SELECT seq, at_us, at_uncertainty_s FROM readings WHERE stream_id = ? AND"
_BELOW = f"{_TIMES} seq < ? ORDER BY seq DESC LIMIT ?"
_BETWEEN = f"{_TIMES} seq BETWEEN ? AND ? ORDER BY seq"
_ABOVE = f"{_TIMES} seq > ? ORDER BY seq LIMIT ?"


def times_near(connection: sa.Connection, stream_id: int, numbers: Range, many: int) -> list[StoredTime]:
    """Times of the stored ones of these numbers and of `many` on either side."""
    first, last = numbers
    found = [*dialect.run(connection, _BELOW, (stream_id, first, many))]
    found += dialect.run(connection, _BETWEEN, (stream_id, first, last))
    found += dialect.run(connection, _ABOVE, (stream_id, last, many))
    return [StoredTime(*row) for row in found]


_TIME = (readings.c.seq, readings.c.at_us, readings.c.at_uncertainty_s)


def times(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredTime]:
    """Times of the stored ones among these numbers."""
    query = sa.select(*_TIME).where(readings.c.stream_id == stream_id)
    found: list[StoredTime] = []
    for among in dialect.among(readings.c.seq, numbers):
        found += [StoredTime(*row) for row in connection.execute(query.where(among))]
    return found


def uncorrected(connection: sa.Connection, stream_id: int, numbers: Range, *, limit: int) -> list[StoredTime]:
    """The first stored ones of these numbers that are not in `original_times`."""
    corrected = sa.select(original_times.c.seq).where(
        original_times.c.stream_id == stream_id, original_times.c.seq == readings.c.seq
    )
    query = sa.select(*_TIME).where(
        readings.c.stream_id == stream_id, readings.c.seq.between(*numbers), ~corrected.exists()
    )
    return [StoredTime(*row) for row in connection.execute(query.order_by(readings.c.seq).limit(limit))]


def received(connection: sa.Connection, stream_id: int, numbers: Sequence[int]) -> dict[int, int]:
    """Number -> when it was received [us], of the stored ones."""
    query = sa.select(readings.c.seq, readings.c.received_us).where(readings.c.stream_id == stream_id)
    found: dict[int, int] = {}
    for piece in dialect.in_lists(numbers):
        found |= {
            row.seq: row.received_us for row in connection.execute(query.where(readings.c.seq.in_(piece)))
        }
    return found


def newest(connection: sa.Connection, stream_id: int, many: int, columns: Sequence[str]) -> Arrays:
    """Columns of the stored ones with the highest numbers."""
    sql = "SELECT {} FROM readings WHERE stream_id = ? ORDER BY seq DESC LIMIT ?"
    return _fetched(connection, sql, (stream_id, many), columns)


# ---------------------------------------------------------------- read by time


_IN_SPAN = "FROM readings WHERE stream_id = ? AND seq BETWEEN ? AND ? AND at_us >= ? AND at_us < ?"
_BETWEEN_TIMES = f"SELECT {{}} {_IN_SPAN}"


def arrays(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> Arrays:
    """Columns of the stored ones of these numbers with from <= at < until."""
    return _fetched(connection, _BETWEEN_TIMES, (stream_id, *numbers, *span_us), columns)


def _fetched(
    connection: sa.Connection, sql: str, parameters: tuple[Any, ...], columns: Sequence[str]
) -> Arrays:
    """`sql` has a place for the selected columns."""
    names = ["seq", *columns]
    assert set(names) <= COLUMNS  # they become part of the SQL
    absent = dialect.absent(connection)
    wanted = ", ".join(name if name in WHOLE else f"coalesce({name}, {absent})" for name in names)
    table = dialect.floats(connection, sql.format(wanted), parameters, len(names))
    return {
        name: values.astype(np.int64) if name in WHOLE else values
        for name, values in zip(names, table, strict=True)
    }


_AT_FIRST = "SELECT {} FROM ({} LIMIT 100) AS at_first"


def hour_columns(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> HourColumns:
    """
    As `arrays`, of the columns that the stream has.

    Columns that the stream never had are not fetched: the first readings show which it has, and one number a
    row shows that the others are empty. Where they are not, all columns are counted first.
    """
    assert set(columns) <= QUANTITY_COLUMNS  # they become part of the SQL
    bounds = (stream_id, *numbers, *span_us)
    between = _BETWEEN_TIMES.format(", ".join(columns))
    had = _had(connection, _AT_FIRST.format("{}", between), bounds, columns)
    others = [name for name in columns if name not in had]
    table = _with_any_of(connection, bounds, had, others)
    if others and not np.isnan(table[-1]).all():
        had = _had(connection, _BETWEEN_TIMES, bounds, columns)
        table = _with_any_of(connection, bounds, had, [])
    return dict(zip(("at_us", *had), table, strict=False))


def _had(connection: sa.Connection, sql: str, bounds: tuple[int, ...], columns: Sequence[str]) -> list[str]:
    """Columns with at least one value; `sql` has a place for the selected columns."""
    counts = dialect.run(connection, sql.format(", ".join(f"count({c})" for c in columns)), bounds).one()
    return [name for name, count in zip(columns, counts, strict=True) if count]


def _with_any_of(
    connection: sa.Connection, bounds: tuple[int, ...], had: Sequence[str], others: Sequence[str]
) -> npt.NDArray[np.float64]:
    """Instants, columns, and at the end any value of the other columns, shape (columns, n); NaN: none."""
    absent = dialect.absent(connection)
    wanted = ["at_us", *(f"coalesce({name}, {absent})" for name in had)]
    if others:
        wanted.append(f"coalesce({', '.join(others)}, {absent})")
    return dialect.floats(connection, _BETWEEN_TIMES.format(", ".join(wanted)), bounds, len(wanted))


def time_steps(
    connection: sa.Connection,
    stream_id: int,
    numbers: Range,
    span_us: Range,
    columns: Sequence[str],
    resolution_us: int,
) -> TimeSteps:
    """Those that `arrays` would give, in steps of time; the database adds them up."""
    result = dialect.run(connection, _steps_sql(columns), (resolution_us, stream_id, *numbers, *span_us))
    steps = TimeSteps.of_rows(result.cursor.fetchall(), columns)
    result.close()
    return steps


def _steps_sql(columns: Sequence[str]) -> str:
    assert set(columns) <= QUANTITY_COLUMNS
    each = "".join(f", count({c}), sum({c}), min({c}), max({c})" for c in columns)
    # Instants before 1970 are never stored: the division rounds down.
    return f"SELECT at_us / ? AS step, count(*){each} {_IN_SPAN} GROUP BY step"


# ---------------------------------------------------------------- move to the archive


_LOWEST_BEFORE = """
SELECT s.id, s.device_id, r.seq, r.at_us FROM streams s
JOIN readings r ON r.stream_id = s.id
    AND r.seq = (SELECT min(lowest.seq) FROM readings lowest WHERE lowest.stream_id = s.id)
WHERE r.at_us < ? ORDER BY r.at_us, s.id
"""


def lowest_before(connection: sa.Connection, before_us: int) -> list[tuple[int, int, int, int]]:
    """(stream, device, number, instant) of streams whose lowest number was measured before, oldest first."""
    return [(a, b, c, d) for a, b, c, d in dialect.run(connection, _LOWEST_BEFORE, (before_us,))]


_WHOLE_ROWS = sa.select(
    readings.c.seq,
    readings.c.at_us,
    readings.c.received_us,
    readings.c.at_uncertainty_s,
    readings.c.content_hash,
    unit_sets.c.units,
    exact_times.c.instant,
    *(readings.c[quantity.column] for quantity in QUANTITIES.values()),
).select_from(
    readings.join(unit_sets, unit_sets.c.id == readings.c.unit_set_id).outerjoin(
        exact_times,
        (exact_times.c.stream_id == readings.c.stream_id) & (exact_times.c.seq == readings.c.seq),
    )
)


def _in_span(stream_id: int, numbers: Range, span_us: Range) -> sa.ColumnElement[bool]:
    return sa.and_(
        readings.c.stream_id == stream_id,
        readings.c.seq.between(*numbers),
        readings.c.at_us >= span_us[0],
        readings.c.at_us < span_us[1],
    )


def whole(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, *, limit: int
) -> WholeReadings:
    """The first of them in order of number."""
    query = _WHOLE_ROWS.where(_in_span(stream_id, numbers, span_us))
    rows = list(connection.execute(query.order_by(readings.c.seq).limit(limit)))
    if not rows:
        return none_of(stream_id)
    seq, at_us, received_us, uncertainty, hashes, units, instants, *values = zip(*rows, strict=True)
    return WholeReadings(
        stream_id,
        np.array(seq, np.int64),
        np.array(at_us, np.int64),
        np.array(received_us, np.int64),
        np.array(uncertainty, np.float64),
        np.array(hashes, np.int64),
        {
            quantity.column: np.array(column, np.float64)
            for quantity, column in zip(QUANTITIES.values(), values, strict=True)
        },
        units,
        {number: instant for number, instant in zip(seq, instants, strict=True) if instant is not None},
    )


def delete(connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range) -> int:
    """Delete them. Returns how many there were."""
    return connection.execute(sa.delete(readings).where(_in_span(stream_id, numbers, span_us))).rowcount


def is_empty(connection: sa.Connection, span_us: Range) -> bool:
    """True where no row with from <= at < until is stored; asked of a month that has a table of its own."""
    query = sa.select(readings.c.seq).where(readings.c.at_us >= span_us[0], readings.c.at_us < span_us[1])
    return connection.scalar(query.limit(1)) is None


def count_by_step(
    connection: sa.Connection, stream_id: int, before_us: int, step_us: int
) -> list[tuple[int, int]]:
    """(steps since 1970, readings) of a stream, of those that were measured before an instant."""
    step = readings.c.at_us // step_us
    query = sa.select(step, sa.func.count()).where(
        readings.c.stream_id == stream_id, readings.c.at_us < before_us
    )
    return [(a, b) for a, b in connection.execute(query.group_by(step))]
