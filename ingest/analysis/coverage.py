"""
How the readings of a housing came: live, late, by a bundle; and which are missing or quarantined.

Promises: pure but for `coverage_of`. What is said of an hour is said of its first reading; what lies between
two hours shows in the numbers.
Leaves to others: the rows (`ingest.store.coverage`), drawing it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import sqlalchemy as sa

from cleanside.ingest.store import coverage as store
from cleanside.ingest.store import streams
from cleanside.ingest.store.account import quarantined_numbers
from cleanside.ingest.store.coverage import HourCame
from cleanside.ingest.store.fleet import Assignment
from cleanside.ingest.store.marks import Ranges, count, intersect, union
from cleanside.ingest.store.streams import Stream

HOUR_S = 3_600  # arithmetic
MICRO = 1_000_000  # arithmetic
#: a reading that came later than that after the end of its hour came late; chosen: a live link takes seconds
LATE_S = 900
#: spans of one kind are one where no more than that lies between (chosen: a night and a weekend off)
TOGETHER_S = 3 * 86_400

Came = Literal["live", "late", "bundle", "missing", "quarantined"]


@dataclass(frozen=True, kw_only=True)
class CameSpan:
    """A span of time in which readings came in one way. [s since 1970 UTC]"""

    from_s: int
    until_s: int
    came: Came
    readings: int


def coverage_of(
    connection: sa.Connection, owner_id: int, seats: Iterable[Assignment], since_s: float
) -> list[CameSpan]:
    """How the readings that devices measured in these seats came from an instant on, in time order."""
    bundles = store.bundles_came(connection, owner_id)
    of_device: dict[int, list[Assignment]] = {}
    for seat in seats:
        of_device.setdefault(seat.device_id, []).append(seat)
    found: list[CameSpan] = []
    for device_id, seated in of_device.items():
        for stream in streams.of_device(connection, device_id):
            if stream.owner_id == owner_id:
                spans = _of_stream(connection, stream, bundles.get(stream.device, ()), since_s)
                found += (span for span in spans if any(is_within(span, seat) for seat in seated))
    return together(found)


def is_within(span: CameSpan, seat: Assignment) -> bool:
    """Some of a span lies in a seat."""
    begins = seat.from_us is None or seat.from_us < span.until_s * MICRO
    return begins and (seat.until_us is None or span.from_s * MICRO < seat.until_us)


def _of_stream(
    connection: sa.Connection, stream: Stream, bundles: Sequence[tuple[int, int]], since_s: float
) -> Iterator[CameSpan]:
    hours = store.hours_came(connection, stream.id, int(since_s // HOUR_S))
    marks = streams.marks_of(connection, stream)
    missing = union(marks.gaps, ((shed.first, shed.last) for shed in marks.shed))
    yield from of_hours(hours, bundles)
    yield from between(hours, missing, "missing")
    yield from between(hours, quarantined_numbers(connection, stream.id), "quarantined")


def of_hours(hours: Sequence[HourCame], bundles: Sequence[tuple[int, int]]) -> Iterator[CameSpan]:
    """One span for each hour. bundles : from when until when one came in. [us]"""
    for hour in hours:
        from_s = hour.hour * HOUR_S
        yield CameSpan(
            from_s=from_s, until_s=from_s + HOUR_S, came=_came(hour, bundles), readings=hour.readings
        )


def _came(hour: HourCame, bundles: Sequence[tuple[int, int]]) -> Came:
    if hour.received_us is None:  # in the archive: how it came is not kept there
        return "live"
    if any(begun <= hour.received_us <= ended for begun, ended in bundles):
        return "bundle"
    is_late = hour.received_us / 1e6 > (hour.hour + 1) * HOUR_S + LATE_S
    return "late" if is_late else "live"


def between(hours: Sequence[HourCame], numbers: Ranges, came: Came) -> Iterator[CameSpan]:
    """Numbers that have no readings, at the time of their neighbours."""
    if not numbers or not hours:
        return
    for hour in hours:
        if many := count(intersect(((hour.first_seq, hour.last_seq),), numbers)):
            from_s = hour.hour * HOUR_S
            yield CameSpan(from_s=from_s, until_s=from_s + HOUR_S, came=came, readings=many)
    for before, after in pairwise(hours):
        if after.first_seq > before.last_seq + 1:
            many = count(intersect(((before.last_seq + 1, after.first_seq - 1),), numbers))
            if many:
                from_s = (before.hour + 1) * HOUR_S
                until_s = max(after.hour * HOUR_S, from_s + HOUR_S)
                yield CameSpan(from_s=from_s, until_s=until_s, came=came, readings=many)
    if many := count(intersect(((hours[-1].last_seq + 1, numbers[-1][1]),), numbers)):
        from_s = (hours[-1].hour + 1) * HOUR_S
        yield CameSpan(from_s=from_s, until_s=from_s + HOUR_S, came=came, readings=many)


def together(spans: Sequence[CameSpan]) -> list[CameSpan]:
    """Neighbours of one kind as one span, in time order."""
    found: list[CameSpan] = []
    for span in sorted(spans, key=lambda span: (span.from_s, span.came)):
        last = found[-1] if found else None
        if last is not None and last.came == span.came and span.from_s - last.until_s <= TOGETHER_S:
            until_s = max(last.until_s, span.until_s)
            found[-1] = replace(last, until_s=until_s, readings=last.readings + span.readings)
        else:
            found.append(span)
    return found
