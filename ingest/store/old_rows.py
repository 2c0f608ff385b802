"""
Rows that move into the archive: which are old enough, reading them, and deleting them once a file has them.

Promises: it deletes exactly the rows that were read, or none: the state of the hours shows a change in
between.
Leaves to others: files (`ingest.store.archive_file`), the register (`ingest.store.archive`), steps
(`ingest.keeping.retention`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.hours import HOUR_US
from cleanside.ingest.store.marks import Range
from cleanside.ingest.store.models import devices, exact_times, hours, owners, readings, streams, unit_sets

DAY_US = 24 * HOUR_US


class Due(NamedTuple):
    """A stream whose lowest stored number is old enough to move."""

    stream_id: int
    device_id: int
    seq: int
    at_us: int


_DUE = """
SELECT s.id, s.device_id, r.seq, r.at_us FROM streams s
JOIN readings r ON r.stream_id = s.id
    AND r.seq = (SELECT min(lowest.seq) FROM readings lowest WHERE lowest.stream_id = s.id)
WHERE r.at_us < ? ORDER BY r.at_us, s.id
"""


def due(connection: sa.Connection, before_us: int) -> list[Due]:
    """Streams whose lowest stored number was measured before an instant, oldest first."""
    return [Due(*row) for row in dialect.run(connection, _DUE, (before_us,))]


_MOVED = sa.select(
    readings.c.stream_id,
    readings.c.seq,
    readings.c.at_us,
    readings.c.at_uncertainty_s,
    exact_times.c.instant,
    unit_sets.c.units,
    readings.c.content_hash,
    readings.c.received_us,
    *(column for column in readings.c if isinstance(column.type, sa.Double) and column.name[:3] != "at_"),
).select_from(
    readings.join(unit_sets, unit_sets.c.id == readings.c.unit_set_id).outerjoin(
        exact_times,
        (exact_times.c.stream_id == readings.c.stream_id) & (exact_times.c.seq == readings.c.seq),
    )
)


def rows_of(
    connection: sa.Connection, stream_id: int, span_us: tuple[int, int], *, limit: int
) -> tuple[list[Any], int]:
    """
    Up to `limit` stored rows of a stream with from <= at < until, lowest numbers first, in the
    order of `ingest.store.archive_file.ROW`.

    Returns the state of the hours in the span too: as long as it is the same, so are the rows.
    """
    state, first, last = _hours_in(connection, stream_id, span_us)
    query = _MOVED.where(
        readings.c.stream_id == stream_id,
        readings.c.seq.between(first, last),
        readings.c.at_us >= span_us[0],
        readings.c.at_us < span_us[1],
    )
    return list(connection.execute(query.order_by(readings.c.seq).limit(limit))), state


def _hours_in(connection: sa.Connection, stream_id: int, span_us: tuple[int, int]) -> tuple[int, int, int]:
    query = sa.select(
        sa.func.coalesce(sa.func.sum(hours.c.revision), 0),
        sa.func.coalesce(sa.func.min(hours.c.first_seq), 0),
        sa.func.coalesce(sa.func.max(hours.c.last_seq), 0),
    ).where(
        hours.c.stream_id == stream_id,
        hours.c.hour.between(span_us[0] // HOUR_US, (span_us[1] - 1) // HOUR_US),
    )
    state, first, last = connection.execute(query).one()
    return int(state), first, last


def take_moved(
    connection: sa.Connection,
    stream_id: int,
    span_us: tuple[int, int],
    numbers: Range,
    exact: Sequence[int],
    *,
    state: int,
) -> int:
    """
    Delete the rows that `rows_of` returned, now that a file has them; the caller has locked the stream.

    exact : those of the numbers that have an exact instant. Returns how many rows were deleted; none where
    the stream has changed in the span since the rows were read.
    """
    if _hours_in(connection, stream_id, span_us)[0] != state:
        return 0
    conditions = (
        readings.c.stream_id == stream_id,
        readings.c.seq.between(*numbers),
        readings.c.at_us >= span_us[0],
        readings.c.at_us < span_us[1],
    )
    deleted = connection.execute(sa.delete(readings).where(*conditions)).rowcount
    table = exact_times
    for piece in dialect.chunks(exact):
        connection.execute(sa.delete(table).where(table.c.stream_id == stream_id, table.c.seq.in_(piece)))
    return deleted


def is_empty(connection: sa.Connection, span_us: tuple[int, int]) -> bool:
    """True where no row with from <= at < until is stored; asked of a month that has a table of its own."""
    query = sa.select(readings.c.seq).where(readings.c.at_us >= span_us[0], readings.c.at_us < span_us[1])
    return connection.scalar(query.limit(1)) is None


def count_by_day(connection: sa.Connection, stream_id: int, before_us: int) -> list[tuple[int, int]]:
    """(days since 1970, readings) of the stored rows of a stream that were measured before an instant."""
    day = readings.c.at_us // DAY_US
    query = sa.select(day, sa.func.count()).where(
        readings.c.stream_id == stream_id, readings.c.at_us < before_us
    )
    return [(a, b) for a, b in connection.execute(query.group_by(day).order_by(day))]


def lock(connection: sa.Connection, stream_ids: Sequence[int]) -> None:
    """Lock these streams until the transaction ends, in the one order for locking streams."""
    query = sa.select(streams.c.id).where(streams.c.id.in_(stream_ids))
    query = query.order_by(streams.c.owner_id, streams.c.stream)
    connection.execute(query if dialect.is_sqlite(connection) else query.with_for_update())


def names_of(connection: sa.Connection, device_id: int) -> tuple[str, str, list[tuple[int, str]]]:
    """Names of device and owner, and the streams of the device (id, name)."""
    query = sa.select(devices.c.name, owners.c.name).join_from(devices, owners)
    device, owner = connection.execute(query.where(devices.c.id == device_id)).one()
    of_device = sa.select(streams.c.id, streams.c.stream).where(streams.c.device_id == device_id)
    return device, owner, [(a, b) for a, b in connection.execute(of_device.order_by(streams.c.id))]
