"""Readings: stored rows, their hashes, exact times, unit sets, and the identity of those without numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.ingest.store import archive, dialect, hours
from cleanside.ingest.store.marks import Ranges
from cleanside.ingest.store.models import exact_times, instants, readings, unit_sets

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class NewRows(NamedTuple):
    """Rows to store, in arrays of one length."""

    seq: IntArray
    at_us: IntArray
    #: NaN: unknown
    at_uncertainty_s: FloatArray
    content_hash: IntArray
    #: column name -> values in SI, NaN: absent
    values: Mapping[str, FloatArray]
    unit_set_id: int
    received_us: int


class EncodedReadings(NamedTuple):
    """Rows ready for the driver, with the hours they fall into."""

    rows: dialect.EncodedNumbers
    spans: list[hours.HourSpan]


def encode(rows: NewRows, *, sqlite: bool) -> EncodedReadings:
    """The work of an insert that needs no database."""
    columns: dict[str, dialect.NumberArray | int] = {"seq": rows.seq, "at_us": rows.at_us}
    columns |= {"content_hash": rows.content_hash}
    columns |= {"unit_set_id": rows.unit_set_id, "received_us": rows.received_us}
    optional = {"at_uncertainty_s": rows.at_uncertainty_s, **rows.values}
    columns |= {name: column for name, column in optional.items() if not _is_absent(column)}
    encoded = dialect.encode("readings", "stream_id", columns, sqlite=sqlite)
    return EncodedReadings(encoded, hours.hour_spans(rows.seq, rows.at_us))


def _is_absent(column: FloatArray) -> bool:
    return bool(np.isnan(column[0])) and bool(np.isnan(column).all())


def put(connection: sa.Connection, batches: Sequence[tuple[int, EncodedReadings]]) -> None:
    """
    Store new readings of (stream, rows) and count them into their hours, which are then due for analysis.

    Their numbers must be new: the caller has locked the streams and checked.
    """
    dialect.put(connection, [(encoded.rows, stream_id) for stream_id, encoded in batches])
    hours.touch(connection, [(stream_id, span) for stream_id, encoded in batches for span in encoded.spans])


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash of the readings among `numbers` that are stored, or in the archive."""
    by_number = archive.hashes(connection, stream_id, numbers)
    query = sa.select(readings.c.seq, readings.c.content_hash).where(readings.c.stream_id == stream_id)
    for among in dialect.among(readings.c.seq, numbers):
        by_number.update((seq, value) for seq, value in connection.execute(query.where(among)))
    return by_number


class Time(NamedTuple):
    """A stored reading's number, and its time as sent."""

    seq: int
    at_us: int
    #: half width [s]; None: unknown
    at_uncertainty_s: float | None


_TIMES = "SELECT seq, at_us, at_uncertainty_s FROM readings WHERE stream_id = ? AND"
_BELOW = f"{_TIMES} seq < ? ORDER BY seq DESC LIMIT ?"
_BETWEEN = f"{_TIMES} seq BETWEEN ? AND ? ORDER BY seq"
_ABOVE = f"{_TIMES} seq > ? ORDER BY seq LIMIT ?"
_AS_SENT = """
SELECT seq, at_us, at_uncertainty_s FROM original_times WHERE stream_id = ? AND seq BETWEEN ? AND ?
"""


def times_near(connection: sa.Connection, stream_id: int, first: int, last: int, many: int) -> list[Time]:
    """
    Times as sent of the stored readings first..last and of `many` on either side of them.

    In order of number; archived ones too.
    """
    below = [Time(*row) for row in dialect.run(connection, _BELOW, (stream_id, first, many))]
    between = [Time(*row) for row in dialect.run(connection, _BETWEEN, (stream_id, first, last))]
    above = [Time(*row) for row in dialect.run(connection, _ABOVE, (stream_id, last, many))]
    bounds = below[-1].seq if len(below) == many else 0, above[-1].seq if len(above) == many else 2**63 - 1
    by_number = {row.seq: row for row in (*below, *between, *above)}
    for row in archive.times_near(connection, stream_id, (first, last), bounds, many):
        by_number[row[0]] = Time(*row)
    if by_number:  # where their boot was corrected since
        span = min(by_number), max(by_number)
        corrected = dialect.run(connection, _AS_SENT, (stream_id, *span))
        by_number.update((row[0], Time(*row)) for row in corrected if row[0] in by_number)
    lower = sorted(seq for seq in by_number if seq < first)[-many:]
    upper = sorted(seq for seq in by_number if seq > last)[:many]
    return [by_number[seq] for seq in (*lower, *sorted(s for s in by_number if first <= s <= last), *upper)]


def nearest_below(connection: sa.Connection, stream_id: int, seq: int) -> Time | None:
    """The stored reading with the highest number below one, archived or not; None: there is none."""
    below = [row for row in times_near(connection, stream_id, seq, seq, 1) if row.seq < seq]
    return below[-1] if below else None


def take_out(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[dict[str, Any]]:
    """
    Remove readings from the store or its archive, and return them in order of number.

    Each with every column, its exact `instant` and its `units`. Their hours are due for analysis.
    """
    query = (
        sa.select(readings, exact_times.c.instant, unit_sets.c.units)
        .join(unit_sets, unit_sets.c.id == readings.c.unit_set_id)
        .outerjoin(
            exact_times,
            sa.and_(exact_times.c.stream_id == readings.c.stream_id, exact_times.c.seq == readings.c.seq),
        )
        .where(readings.c.stream_id == stream_id)
    )
    taken = archive.take_out(connection, stream_id, numbers)
    for first, last in numbers:
        rows = connection.execute(query.where(readings.c.seq.between(first, last)).order_by(readings.c.seq))
        taken += [dict(row) for row in rows.mappings()]
        for table in (readings, exact_times):
            conditions = table.c.stream_id == stream_id, table.c.seq.between(first, last)
            connection.execute(sa.delete(table).where(*conditions))
    hours.count_down(connection, stream_id, [row["at_us"] for row in taken])
    return sorted(taken, key=lambda row: int(row["seq"]))


def put_exact_times(connection: sa.Connection, stream_id: int, texts: Mapping[int, str]) -> None:
    """Number -> exact instant, for the few that are finer than a microsecond."""
    if texts:
        rows = [{"stream_id": stream_id, "seq": seq, "instant": text} for seq, text in texts.items()]
        connection.execute(sa.insert(exact_times), rows)


def numbers_of_instants(connection: sa.Connection, stream_id: int, texts: Sequence[str]) -> dict[str, int]:
    """Instant -> number, where a reading without a number already has the instant."""
    query = sa.select(instants.c.instant, instants.c.seq).where(instants.c.stream_id == stream_id)
    by_instant: dict[str, int] = {}
    for piece in dialect.chunks(texts):
        by_instant.update(
            (text, seq) for text, seq in connection.execute(query.where(instants.c.instant.in_(piece)))
        )
    return by_instant


def put_instants(connection: sa.Connection, stream_id: int, numbers: Mapping[str, int]) -> None:
    """Write instant -> number. The key of the table refuses a second reading of one instant."""
    if numbers:
        rows = [(stream_id, text, seq) for text, seq in numbers.items()]
        dialect.run(connection, "INSERT INTO instants (stream_id, instant, seq) VALUES (?, ?, ?)", rows)


def unit_set_id(connection: sa.Connection, units: str) -> int | None:
    """The id of a set of units (canonical JSON); None: it is not stored yet."""
    return connection.scalar(sa.select(unit_sets.c.id).where(unit_sets.c.units == units))


def keep_unit_set(connection: sa.Connection, units: str) -> int:
    """The id of a set of units, stored now if it was not."""
    connection.execute(dialect.insert(connection, unit_sets).values(units=units).on_conflict_do_nothing())
    number = unit_set_id(connection, units)
    assert number is not None
    return number
