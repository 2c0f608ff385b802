"""
Raw readings by time, stored or archived: for pages, buckets, exports and the analysis.

Promises: a walk goes in the order (instant, stream, number), through both places, a bounded piece at a time.
Each piece has a view of its own, so a slow client blocks no other. A walk skips readings that arrive behind
its position; it returns every other reading exactly once.
Leaves to others: access, units and formats (`ingest.api.routes.raw`), buckets of numbers in memory
(`ingest.store.time_steps`).

The hours of a stream are the index by time; they stay when their readings go to the archive.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.ingest.store import archive, stored, time_steps
from cleanside.ingest.store.at_rest import HourColumns
from cleanside.ingest.store.hours import HOUR_US, spans_of
from cleanside.ingest.store.models import exact_times, hours, streams
from cleanside.ingest.store.time_steps import TimeSteps

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HOURS_AT_ONCE = 1_000  # of the index
BLOCK_ROWS = 200_000  # readings put into buckets by one statement; chosen
MOST_SCANNED = 4_000_000  # readings behind one page of buckets: a machine-year at 10 s; chosen

#: returns a connection with a view of its own
OpenReader = Callable[[], AbstractContextManager[sa.Connection]]


class DeviceSeat(NamedTuple):
    """A device in a span of time, from <= at < until."""

    device_id: int
    from_us: int
    until_us: int


class Position(NamedTuple):
    """A place in the order of a walk."""

    at_us: int
    stream_id: int
    seq: int


@dataclass(frozen=True, slots=True)
class RawRows:
    """Readings in the order of the walk; arrays of shape (n,)."""

    at_us: IntArray
    stream_id: IntArray
    seq: IntArray
    #: NaN: unknown
    at_uncertainty_s: FloatArray
    #: column -> values in SI; NaN where absent
    values: dict[str, FloatArray]
    #: index -> instant finer than a microsecond, RFC 3339
    exact: dict[int, str]

    def __len__(self) -> int:
        """How many readings, not how many fields."""
        return len(self.at_us)

    def take(self, chosen: IntArray) -> RawRows:
        """The rows with these indexes, in this order."""
        place = {int(index): new for new, index in enumerate(chosen)}
        return RawRows(
            self.at_us[chosen],
            self.stream_id[chosen],
            self.seq[chosen],
            self.at_uncertainty_s[chosen],
            {name: column[chosen] for name, column in self.values.items()},
            {place[index]: text for index, text in self.exact.items() if index in place},
        )

    def first(self, limit: int) -> RawRows:
        """The first rows."""
        return self if len(self) <= limit else self.take(np.arange(limit))

    def of_streams(self, streams: Collection[int]) -> RawRows:
        """The rows of these streams."""
        is_wanted = np.isin(self.stream_id, np.array(sorted(streams), dtype=np.int64))
        return self if is_wanted.all() else self.take(np.flatnonzero(is_wanted))


def joined(parts: Sequence[RawRows], columns: Sequence[str]) -> RawRows:
    """Rows of several parts, one after the other."""
    starts = np.cumsum([0, *map(len, parts)]).tolist()
    exact = [
        (start + i, text) for start, p in zip(starts, parts, strict=False) for i, text in p.exact.items()
    ]
    return RawRows(
        _together([p.at_us for p in parts], np.int64),
        _together([p.stream_id for p in parts], np.int64),
        _together([p.seq for p in parts], np.int64),
        _together([p.at_uncertainty_s for p in parts], np.float64),
        {name: _together([p.values[name] for p in parts], np.float64) for name in columns},
        dict(exact),
    )


def _together(parts: Sequence[npt.NDArray[Any]], kind: type) -> npt.NDArray[Any]:
    return np.concatenate([np.empty(0, kind), *parts])


# ---------------------------------------------------------------- the index by time


def index_of(
    connection: sa.Connection, seats: Sequence[DeviceSeat], from_us: int, until_us: int
) -> list[tuple[int, int]]:
    """
    (hour, readings) of the devices in a span, in order, at most `HOURS_AT_ONCE`; empty hours are left out.
    """
    query = (
        sa.select(hours.c.hour, sa.func.sum(hours.c.readings))
        .join_from(hours, streams)
        .where(
            streams.c.device_id.in_(sorted({seat.device_id for seat in seats})),
            hours.c.hour.between(from_us // HOUR_US, (until_us - 1) // HOUR_US),
            hours.c.readings > 0,
        )
        .group_by(hours.c.hour)
        .order_by(hours.c.hour)
        .limit(HOURS_AT_ONCE)
    )
    return [(int(hour), int(many)) for hour, many in connection.execute(query)]


def state_of(connection: sa.Connection, seats: Sequence[DeviceSeat]) -> list[tuple[int, ...]]:
    """A value that changes only with the readings in these spans, for entity tags; cheap."""
    states: list[tuple[int, ...]] = []
    for seat in seats:
        query = (
            sa.select(sa.func.count(), sa.func.coalesce(sa.func.sum(hours.c.revision), 0))
            .select_from(hours.join(streams))
            .where(
                streams.c.device_id == seat.device_id,
                hours.c.hour.between(seat.from_us // HOUR_US, (seat.until_us - 1) // HOUR_US),
            )
        )
        count, revisions = connection.execute(query).one()
        states.append((*seat, int(count), int(revisions)))
    return states


def stream_names(connection: sa.Connection, seats: Sequence[DeviceSeat]) -> dict[int, tuple[int, str]]:
    """Stream id -> device id and name, of the devices of these seats."""
    query = sa.select(streams.c.id, streams.c.device_id, streams.c.stream)
    query = query.where(streams.c.device_id.in_(sorted({seat.device_id for seat in seats})))
    return {row.id: (row.device_id, row.stream) for row in connection.execute(query)}


# ---------------------------------------------------------------- walk


def walk(
    reading: OpenReader,
    seats: Sequence[DeviceSeat],
    columns: Sequence[str],
    *,
    rows_at_once: int,
    after: Position | None = None,
) -> Iterator[RawRows]:
    """
    All readings of the seats in order, in pieces of about `rows_at_once`; a piece has at least an hour.

    after : continue behind this position. columns : quantity columns wanted.
    """
    if not seats:
        return
    from_us = min(seat.from_us for seat in seats)
    until_us = max(seat.until_us for seat in seats)
    if after is not None:
        from_us = max(from_us, after.at_us)
    while from_us < until_us:
        with reading() as connection:
            index = index_of(connection, seats, from_us, until_us)
            if not index:
                return
            end_us = min(until_us, (_last_hour(index, rows_at_once) + 1) * HOUR_US)
            rows = _rows(connection, seats, columns, from_us, end_us)
        if after is not None:
            rows = rows.take(_behind(rows, after))
        if len(rows):
            yield rows
        from_us = end_us


def _last_hour(index: Sequence[tuple[int, int]], rows_at_once: int) -> int:
    total = 0
    for hour, many in index:
        total += many
        if total >= rows_at_once:
            return hour
    return index[-1][0]


def _behind(rows: RawRows, after: Position) -> IntArray:
    later = rows.at_us > after.at_us
    same = rows.at_us == after.at_us
    later |= same & (rows.stream_id > after.stream_id)
    later |= same & (rows.stream_id == after.stream_id) & (rows.seq > after.seq)
    return np.flatnonzero(later)


def _rows(
    connection: sa.Connection,
    seats: Sequence[DeviceSeat],
    columns: Sequence[str],
    from_us: int,
    until_us: int,
) -> RawRows:
    parts: list[RawRows] = []
    for seat in seats:
        first_us, end_us = max(seat.from_us, from_us), min(seat.until_us, until_us)
        if first_us < end_us:
            parts += _stored(connection, seat.device_id, columns, first_us, end_us)
            parts += _archived(connection, seat.device_id, columns, first_us, end_us)
    rows = joined(parts, columns)
    return rows.take(np.lexsort((rows.seq, rows.stream_id, rows.at_us)))


def _stored(
    connection: sa.Connection, device_id: int, columns: Sequence[str], from_us: int, until_us: int
) -> Iterator[RawRows]:
    wanted = ["at_us", "at_uncertainty_s", *columns]
    for stream_id, first, last in spans_of(connection, device_id, from_us, until_us):
        found = stored.arrays(connection, stream_id, (first, last), (from_us, until_us), wanted)
        seq = found["seq"]
        if len(seq):
            yield RawRows(
                found["at_us"],
                np.full(len(seq), stream_id, np.int64),
                seq,
                found["at_uncertainty_s"],
                {name: found[name] for name in columns},
                _exact(connection, stream_id, seq),
            )


def _exact(connection: sa.Connection, stream_id: int, seq: IntArray) -> dict[int, str]:
    query = sa.select(exact_times.c.seq, exact_times.c.instant).where(
        exact_times.c.stream_id == stream_id, exact_times.c.seq.between(int(seq.min()), int(seq.max()))
    )
    texts = {row.seq: row.instant for row in connection.execute(query)}
    if not texts:
        return {}
    return {index: texts[number] for index, number in enumerate(seq.tolist()) if number in texts}


def _archived(
    connection: sa.Connection, device_id: int, columns: Sequence[str], from_us: int, until_us: int
) -> Iterator[RawRows]:
    wanted = ["at_uncertainty_s", "instant", *columns]
    for table in archive.between(connection, device_id, from_us, until_us, wanted):
        from cleanside.ingest.store.archive_file import at_us

        texts = table["instant"]
        exact = {} if texts.null_count == len(texts) else dict(enumerate(texts.to_pylist()))
        yield RawRows(
            at_us(table),
            table["stream_id"].to_numpy(),
            table["seq"].to_numpy(),
            table["at_uncertainty_s"].to_numpy(),
            {name: table[name].to_numpy() for name in columns},
            {index: text for index, text in exact.items() if text is not None},
        )


def readings_between(
    connection: sa.Connection, device_id: int, from_us: int, until_us: int, columns: Sequence[str]
) -> list[HourColumns]:
    """
    Readings of a device with from_us <= at < until_us, stored or archived, in no order, in parts.

    columns : quantity columns wanted. Returns at_us and those columns that any reading of the part has.
    """
    parts: list[HourColumns] = []
    for stream_id, first, last in spans_of(connection, device_id, from_us, until_us):
        parts += stored.hour_columns(connection, stream_id, (first, last), (from_us, until_us), columns)
    for rows in _archived(connection, device_id, columns, from_us, until_us):
        parts.append({"at_us": rows.at_us.astype(np.float64), **rows.values})
    return parts


# ---------------------------------------------------------------- buckets


def no_buckets(columns: Sequence[str]) -> TimeSteps:
    """None, of these columns."""
    return time_steps.merged([], columns)


class Walked(NamedTuple):
    """Buckets of one page."""

    buckets: TimeSteps
    #: where the next page begins; None: there is none
    next_us: int | None


def buckets(
    reading: OpenReader,
    seats: Sequence[DeviceSeat],
    columns: Sequence[str],
    *,
    resolution_us: int,
    limit: int,
) -> Walked:
    """
    Count, sum, lowest and highest of each quantity in steps of time, at most `limit` that have readings.

    A page ends early where it covers too many readings; whole steps only.
    """
    parts: list[TimeSteps] = []
    from_us = min((seat.from_us for seat in seats), default=0)
    until_us = max((seat.until_us for seat in seats), default=0)
    scanned = many = 0
    while from_us < until_us and many <= limit and scanned < MOST_SCANNED:
        with reading() as connection:
            index = index_of(connection, seats, from_us, until_us)
            if not index:
                from_us = until_us
                break
            last_hour = _last_hour(index, BLOCK_ROWS)
            end_us = min(until_us, -(-(last_hour + 1) * HOUR_US // resolution_us) * resolution_us)
            parts.append(_block(connection, seats, columns, from_us, end_us, resolution_us))
        scanned += sum(count for hour, count in index if hour <= last_hour)
        many += len(parts[-1])
        from_us = end_us
    steps = time_steps.merged(parts, columns)
    if len(steps) > limit:
        steps = steps.first(limit)
        return Walked(steps, (int(steps.step[-1]) + 1) * resolution_us)
    return Walked(steps, from_us if from_us < until_us else None)


def _block(
    connection: sa.Connection,
    seats: Sequence[DeviceSeat],
    columns: Sequence[str],
    from_us: int,
    until_us: int,
    resolution_us: int,
) -> TimeSteps:
    parts: list[TimeSteps] = []
    for seat in seats:
        first_us, end_us = max(seat.from_us, from_us), min(seat.until_us, until_us)
        if first_us >= end_us:
            continue
        for stream_id, first, last in spans_of(connection, seat.device_id, first_us, end_us):
            span_us = first_us, end_us
            parts += stored.time_steps(connection, stream_id, (first, last), span_us, columns, resolution_us)
        for rows in _archived(connection, seat.device_id, columns, first_us, end_us):
            parts.append(time_steps.bucketed(rows.at_us, rows.values, resolution_us))
    return time_steps.merged(parts, columns)
