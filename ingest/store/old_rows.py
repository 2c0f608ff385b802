"""
Rows that move into the archive: which are old enough, reading them, and deleting them once a file has them.

Promises: it deletes exactly the rows that were read, or none: the state of the hours shows a change in
between.
Leaves to others: files (`ingest.store.archive_file`), the register (`ingest.store.archive`), steps
(`ingest.keeping.retention`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect, stored
from cleanside.ingest.store.hours import HOUR_US
from cleanside.ingest.store.marks import Range
from cleanside.ingest.store.models import devices, exact_times, hours, owners, streams
from cleanside.ingest.store.whole_readings import WholeReadings

DAY_US = 24 * HOUR_US


class Due(NamedTuple):
    """A stream whose lowest stored number is old enough to move."""

    stream_id: int
    device_id: int
    seq: int
    at_us: int


def due(connection: sa.Connection, before_us: int) -> list[Due]:
    """Streams whose lowest stored number was measured before an instant, oldest first."""
    return [Due(*found) for found in stored.lowest_before(connection, before_us)]


def whole_of(
    connection: sa.Connection, stream_id: int, span_us: tuple[int, int], *, limit: int
) -> tuple[WholeReadings, int]:
    """
    Up to `limit` stored readings of a stream with from <= at < until, lowest numbers first.

    Returns the state of the hours in the span too: as long as it is the same, so are the readings.
    """
    state, first, last = _hours_in(connection, stream_id, span_us)
    return stored.whole(connection, stream_id, (first, last), span_us, limit=limit), state


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
    Delete the rows that `whole_of` returned, now that a file has them; the caller has locked the stream.

    exact : those of the numbers that have an exact instant. Returns how many rows were deleted; none where
    the stream has changed in the span since the rows were read.
    """
    if _hours_in(connection, stream_id, span_us)[0] != state:
        return 0
    deleted = stored.delete(connection, stream_id, numbers, span_us)
    table = exact_times
    for piece in dialect.in_lists(exact):
        connection.execute(sa.delete(table).where(table.c.stream_id == stream_id, table.c.seq.in_(piece)))
    return deleted


def count_by_day(connection: sa.Connection, stream_id: int, before_us: int) -> list[tuple[int, int]]:
    """(days since 1970, readings) of the stored readings of a stream measured before an instant."""
    return stored.count_by_step(connection, stream_id, before_us, DAY_US)


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
