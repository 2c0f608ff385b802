"""Hours: the time index into readings, the work list of the analysis, and the summaries it makes."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.ingest.store import dialect, round_trips
from cleanside.ingest.store.alike import alike
from cleanside.ingest.store.models import hour_summaries, hours, streams

IntArray = npt.NDArray[np.int64]

HOUR_US = 3_600_000_000
EVERY_STREAM = 2**63 - 1  # the highest id that a column holds

_TOUCH = """
INSERT INTO hours (stream_id, hour, first_seq, last_seq, readings, revision) {}
ON CONFLICT (stream_id, hour) DO UPDATE SET
    first_seq = CASE WHEN hours.first_seq < excluded.first_seq
        THEN hours.first_seq ELSE excluded.first_seq END,
    last_seq = CASE WHEN hours.last_seq > excluded.last_seq
        THEN hours.last_seq ELSE excluded.last_seq END,
    readings = hours.readings + excluded.readings, revision = hours.revision + 1
"""
_TOUCHED = ("int8",) * 6


class HourSpan(NamedTuple):
    """The readings of a batch in one UTC hour."""

    hour: int
    lowest_seq: int
    highest_seq: int
    readings: int


def touch(connection: sa.Connection, spans: Sequence[tuple[int, HourSpan]]) -> None:
    """Count new readings of (stream, span) into their hours; each touched hour is due for analysis."""
    merged: dict[tuple[int, int], HourSpan] = {}
    for stream_id, span in spans:  # one statement must not change an hour twice
        earlier = merged.get((stream_id, span.hour))
        merged[stream_id, span.hour] = span if earlier is None else _joined(earlier, span)
    if merged:
        rows = [(stream_id, *span, 1) for (stream_id, _), span in merged.items()]
        dialect.run_with_rows(connection, _TOUCH, _TOUCHED, rows)


def _joined(a: HourSpan, b: HourSpan) -> HourSpan:
    lowest, highest = min(a.lowest_seq, b.lowest_seq), max(a.highest_seq, b.highest_seq)
    return HourSpan(a.hour, lowest, highest, a.readings + b.readings)


def numbers_in(
    connection: sa.Connection, device_ids: Sequence[int], wanted: Collection[int]
) -> dict[int, list[tuple[int, int]]]:
    """Stream -> (lowest, highest) number in each of these hours, of every stream of these devices."""
    query = sa.select(hours.c.stream_id, hours.c.first_seq, hours.c.last_seq).join_from(hours, streams)
    query = query.where(streams.c.device_id.in_(list(device_ids)))
    ranges: dict[int, list[tuple[int, int]]] = {}
    for piece in dialect.in_lists(sorted(wanted)):
        for stream_id, first, last in connection.execute(query.where(hours.c.hour.in_(piece))):
            ranges.setdefault(stream_id, []).append((first, last))
    return ranges


def count_down(connection: sa.Connection, stream_id: int, at_us: Sequence[int]) -> None:
    """Subtract removed readings from their hours, which are due for analysis again."""
    removed = Counter(us // HOUR_US for us in at_us)
    statement = sa.update(hours).where(
        hours.c.stream_id == stream_id, hours.c.hour == sa.bindparam("of_hour")
    )
    values = {"readings": hours.c.readings - sa.bindparam("gone"), "revision": hours.c.revision + 1}
    if removed:
        rows = [{"of_hour": hour, "gone": many} for hour, many in removed.items()]
        connection.execute(statement.values(values), rows)


def hour_spans(seq: IntArray, at_us: IntArray) -> list[HourSpan]:
    """The hours among readings in any order, shape (n,) each, n >= 1."""
    first_hour = int(np.minimum.reduce(at_us)) // HOUR_US
    if first_hour == int(np.maximum.reduce(at_us)) // HOUR_US:
        return [HourSpan(first_hour, int(seq.min()), int(seq.max()), len(seq))]
    hour = at_us // HOUR_US
    if (hour[1:] < hour[:-1]).any():
        order = np.argsort(hour, kind="stable")
        hour, seq = hour[order], seq[order]
    starts = [0, *(np.flatnonzero(hour[1:] != hour[:-1]) + 1).tolist()]
    lowest, highest = np.minimum.reduceat(seq, starts), np.maximum.reduceat(seq, starts)
    many = [end - start for start, end in pairwise([*starts, len(hour)])]
    columns = (hour[starts].tolist(), lowest.tolist(), highest.tolist(), many)
    return [HourSpan(*span) for span in zip(*columns, strict=True)]


def spans_of_each(runs: Sequence[tuple[IntArray, IntArray]]) -> list[list[HourSpan]]:
    """`hour_spans` of each run of (numbers, instants): those of one length together cost less."""
    spans: list[list[HourSpan]] = [[]] * len(runs)
    for places in alike(len(seq) for seq, _ in runs):
        seq, at_us = (np.array([runs[place][which] for place in places]) for which in (0, 1))
        in_order = (seq[:, 1:] > seq[:, :-1]) & (at_us[:, 1:] >= at_us[:, :-1])
        for place, rises in zip(places, np.logical_and.reduce(in_order, axis=1).tolist(), strict=True):
            spans[place] = (_spans_in_order if rises else hour_spans)(*runs[place])
    return spans


def spans_of_alike(first_seq: Sequence[int], at_us: IntArray) -> list[list[HourSpan]]:
    """`hour_spans` of each of several runs. first_seq : of each; then without a gap. at_us : shape (g, n)."""
    many = at_us.shape[1]
    in_order = np.logical_and.reduce(at_us[:, 1:] >= at_us[:, :-1], axis=1).tolist()
    return [
        _spans_in_order(range(first, first + many), of_run.data)
        if is_in_order
        else hour_spans(np.arange(first, first + many), of_run)
        for first, of_run, is_in_order in zip(first_seq, at_us, in_order, strict=True)
    ]


def _spans_in_order(seq: Sequence[int] | IntArray, at_us: memoryview | IntArray) -> list[HourSpan]:
    """`hour_spans` of numbers that rise and instants that do not fall."""
    many, begin, spans = len(seq), 0, []
    while begin < many:
        hour = int(at_us[begin]) // HOUR_US
        # A search in Python looks at nine numbers of 500; numpy looks at all of them several times.
        end = bisect_left(at_us, (hour + 1) * HOUR_US, begin)
        spans.append(HourSpan(hour, int(seq[begin]), int(seq[end - 1]), end - begin))
        begin = end
    return spans


class Behind(NamedTuple):
    """An hour of a stream that changed since it was analysed."""

    stream_id: int
    device_id: int
    hour: int
    revision: int


_BEHIND = """
SELECT hours.stream_id, streams.device_id, hours.hour, hours.revision
FROM hours JOIN streams ON streams.id = hours.stream_id
WHERE hours.revision > hours.analysed_revision AND {}
ORDER BY hours.stream_id, hours.hour LIMIT ?
"""


def behind(
    connection: sa.Connection, *, limit: int, after: int = 0, up_to: int = EVERY_STREAM
) -> list[Behind]:
    """Hours whose revision is ahead of their analysis, by stream: after < id <= up_to."""
    sql = _BEHIND.format("hours.stream_id > ? AND hours.stream_id <= ?")
    return [Behind(*row) for row in dialect.run(connection, sql, (after, up_to, limit))]


def behind_of(connection: sa.Connection, stream_ids: Sequence[int], *, limit: int) -> list[Behind]:
    """The same of these streams alone; at least one."""
    listed = dialect.padded(stream_ids)
    sql = _BEHIND.format(f"hours.stream_id IN ({dialect.marks(listed)})")
    return [Behind(*row) for row in dialect.run(connection, sql, (*listed, limit))]


def count_behind(connection: sa.Connection, device_ids: Sequence[int] | None = None) -> int:
    """How many hours wait for analysis: of these devices, or of all where None."""
    query = sa.select(sa.func.count()).select_from(hours.join(streams))
    query = query.where(sa.text("hours.revision > hours.analysed_revision"))
    if device_ids is not None:
        query = query.where(streams.c.device_id.in_(device_ids))
    return connection.scalar(query) or 0


_ANALYSED = """
UPDATE hours SET analysed_revision = ? WHERE stream_id = ? AND hour = ? AND analysed_revision < ?
"""


def mark_analysed(connection: sa.Connection, done: Sequence[Behind]) -> None:
    """Write up to which revision hours were analysed; an hour that changed meanwhile stays due."""
    rows = [(b.revision, b.stream_id, b.hour, b.revision) for b in done]
    if dialect.is_sqlite(connection):
        dialect.run(connection, _ANALYSED, rows)
        return
    with round_trips.putting_off(connection):
        for row in rows:
            round_trips.put_off(connection, _ANALYSED, row)


def touch_again(connection: sa.Connection, device_id: int, from_us: int | None, until_us: int | None) -> None:
    """Make the hours of a device in a span due again, because its assignment changed there."""
    of_device = sa.select(streams.c.id).where(streams.c.device_id == device_id)
    statement = sa.update(hours).where(hours.c.stream_id.in_(of_device))
    if from_us is not None:
        statement = statement.where(hours.c.hour >= from_us // HOUR_US)
    if until_us is not None:
        statement = statement.where(hours.c.hour <= until_us // HOUR_US)
    connection.execute(statement.values(revision=hours.c.revision + 1))


def with_readings(
    connection: sa.Connection, device_id: int, from_us: int | None, until_us: int | None
) -> int:
    """How many UTC hours of a span have readings of a device; hours across an end count."""
    of_device = sa.select(streams.c.id).where(streams.c.device_id == device_id)
    query = sa.select(sa.func.count(sa.distinct(hours.c.hour)))
    query = query.where(hours.c.stream_id.in_(of_device), hours.c.readings > 0)
    if from_us is not None:
        query = query.where(hours.c.hour >= from_us // HOUR_US)
    if until_us is not None:
        query = query.where(hours.c.hour < -(-until_us // HOUR_US))
    return connection.scalar(query) or 0


_SPANS = """
SELECT hours.stream_id, min(hours.first_seq), max(hours.last_seq)
FROM hours JOIN streams ON streams.id = hours.stream_id
WHERE streams.device_id = ? AND hours.hour BETWEEN ? AND ?
GROUP BY hours.stream_id
"""


def spans_of(
    connection: sa.Connection, device_id: int, from_us: int, until_us: int
) -> list[tuple[int, int, int]]:
    """(stream, lowest, highest number) that the hours of a device in a span name."""
    bounds = (device_id, from_us // HOUR_US, (until_us - 1) // HOUR_US)
    return [(a, b, c) for a, b, c in dialect.run(connection, _SPANS, bounds)]


# ---------------------------------------------------------------- summaries


class Kept(NamedTuple):
    """A packed summary; None: the hour has no readings any more."""

    hour: int
    record: bytes | None
    bins: bytes | None
    devices: bytes | None = None  # None: also where the previous release wrote it


_RAISED = "UPDATE housings SET revision = revision + 1 WHERE id IN ({}) RETURNING id, revision"
# Locked in the order of their ids, so that two processes never wait for each other.
_RAISED_TOGETHER = """
UPDATE housings SET revision = housings.revision + 1
FROM (SELECT id FROM housings WHERE id = ANY(?) ORDER BY id FOR NO KEY UPDATE) AS locked
WHERE housings.id = locked.id RETURNING housings.id, housings.revision
"""
_PUT_SUMMARIES = """
INSERT INTO hour_summaries (housing_id, hour, revision, record, bins, devices) {}
ON CONFLICT (housing_id, hour) DO UPDATE SET
    revision = excluded.revision, record = excluded.record, bins = excluded.bins, devices = excluded.devices
"""


_OF_SUMMARIES = ("int8", "int8", "int8", "bytea", "bytea", "bytea")


def put_summaries(
    connection: sa.Connection, housing_id: int, revision: int, found: Sequence[Kept]
) -> frozenset[int]:
    """
    Write summaries made at a revision of the housing. Returns the hours that were not written.

    An hour that another process wrote since then may include newer readings: it stays, and has to be computed
    again. Raising the housing's revision locks its row, so two processes take turns.
    """
    return put_all_summaries(connection, [(housing_id, revision, found)])


def put_all_summaries(
    connection: sa.Connection, made: Sequence[tuple[int, int, Sequence[Kept]]]
) -> frozenset[int]:
    """The same of several housings, each once: in few statements, because live readings wait for them."""
    if not made:
        return frozenset()
    raised = _raise(connection, [housing_id for housing_id, _, _ in made])
    again: frozenset[int] = frozenset()
    rows = []
    for housing_id, revision, found in made:
        now = raised[housing_id]  # housings are never deleted
        newer = _written_since(connection, housing_id, revision) if now != revision + 1 else frozenset()
        rows += [(housing_id, row.hour, now, *row[1:]) for row in found if row.hour not in newer]
        again |= newer
    if rows:
        with round_trips.putting_off(connection):
            dialect.run_with_rows(connection, _PUT_SUMMARIES, _OF_SUMMARIES, rows)
    return again


def _raise(connection: sa.Connection, housing_ids: Sequence[int]) -> dict[int, int]:
    """Raise the revision of housings, and return it."""
    statement: round_trips.Statement = _RAISED_TOGETHER, (round_trips.int8_array(housing_ids),)
    if dialect.is_sqlite(connection):
        listed = dialect.padded(housing_ids)
        statement = _RAISED.format(dialect.marks(listed)), tuple(listed)
    [rows] = round_trips.ask(connection, [statement])
    return dict(rows)


def _written_since(connection: sa.Connection, housing_id: int, revision: int) -> frozenset[int]:
    query = sa.select(hour_summaries.c.hour).where(
        hour_summaries.c.housing_id == housing_id, hour_summaries.c.revision > revision
    )
    return frozenset(connection.scalars(query))


_SUMMARIES = "SELECT hour, record, bins, devices FROM hour_summaries WHERE housing_id = ? ORDER BY hour"
# The plus stops SQLite from scanning all hours in order to find the few.
_SUMMARIES_SINCE = """
SELECT hour, record, bins, devices FROM hour_summaries WHERE housing_id = ? AND revision > ? ORDER BY +hour
"""


def first_summarised_hour(connection: sa.Connection, housing_id: int) -> int | None:
    """The first hour of a housing that has readings [h since 1970]; None: none is summarised."""
    row = hour_summaries.c
    query = sa.select(sa.func.min(row.hour)).where(row.housing_id == housing_id)
    found: int | None = connection.scalar(query.where(row.record.is_not(None), row.bins.is_not(None)))
    return found


def every_summary(connection: sa.Connection, housing_id: int) -> list[Kept]:
    """All summaries of a housing, in time order."""
    return _kept(dialect.run(connection, _SUMMARIES, (housing_id,)))


def summaries_since(connection: sa.Connection, housing_id: int, revision: int) -> list[Kept]:
    """The summaries of a housing written after a revision of it, in time order."""
    return _kept(dialect.run(connection, _SUMMARIES_SINCE, (housing_id, revision)))


# The plus keeps SQLite from looking through all earlier hours.
_CHANGED_BEFORE = """
SELECT housing_id FROM hour_summaries WHERE housing_id = ? AND revision > ? AND +hour < ? LIMIT 1
"""


def changed_before(connection: sa.Connection, since: Mapping[int, int], hour: int) -> frozenset[int]:
    """
    Those of these housings of which a summary of an earlier hour was written after a revision.

    since : housing id -> revision. hour : the first that does not count [h since 1970].
    """
    asked = [(_CHANGED_BEFORE, (housing_id, revision, hour)) for housing_id, revision in since.items()]
    if not asked:
        return frozenset()
    return frozenset(row[0] for rows in round_trips.ask(connection, asked) for row in rows)


def _kept(result: sa.CursorResult[Any]) -> list[Kept]:
    rows = [Kept(*row) for row in result.cursor.fetchall()]
    result.close()
    return rows


def hours_of_devices(
    connection: sa.Connection, device_ids: Sequence[int], *, only_behind: bool = False
) -> list[int]:
    """The hours with readings of any of these devices, in order; or only those that wait for analysis."""
    query = sa.select(hours.c.hour).join_from(hours, streams).where(streams.c.device_id.in_(device_ids))
    which = sa.text("hours.revision > hours.analysed_revision") if only_behind else hours.c.readings > 0
    return sorted(connection.scalars(query.where(which).distinct()))
