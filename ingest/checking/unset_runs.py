"""
A clock that was never set, after its first day: it started at the build date and runs on from there.

Every reading at the build date itself is doubted (`ingest.checking.plausible_time`). On the days after it a
device may really have measured, so readings are doubted only where the times of the stream step back to the
build date: such readings follow the build date by number, and are before the last time of the stream.
Promises: the verdict follows the numbering, not the arrival. New readings are judged, and later numbers are
judged again, up to the first stored reading that stays stored.
Leaves to others: quarantining and storing (`ingest.quarantine.revising`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.checking.placed import Placed, clusters, in_order, there, with_persons_word
from cleanside.ingest.checking.plausible_time import CLOCK_UNSET, TIME_OUTLIER, UnsetClock
from cleanside.ingest.store import quarantine, readings
from cleanside.ingest.store.marks import Range
from cleanside.ingest.store.streams import Stream

AT_ONCE = 2_000  # numbers looked at together; chosen


@dataclass(slots=True)
class UnsetRuns:
    """Readings of an unset clock after its first day, among those that were judged."""

    #: indexes in the batch
    out: set[int] = field(default_factory=set)
    #: number -> stored reading
    withdrawn: dict[int, Placed] = field(default_factory=dict)
    #: quarantined entry -> is it one
    entries: dict[int, bool] = field(default_factory=dict)
    #: the clock still runs at the last reading that was judged
    goes_on: bool = False


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of the readings, apart from their times."""

    #: in order of number
    arrived: Sequence[Placed]
    #: index in the batch -> the other doubts about it
    codes: Mapping[int, set[str]]
    #: number -> is it out of line now; only those of which that changed
    moved: Mapping[int, bool]

    def doubts(self, placed: Placed) -> set[str]:
        """Codes of the other doubts about a reading: it is quarantined for them."""
        if placed.in_batch is not None:
            return self.codes.get(placed.in_batch, set())
        codes = set(placed.codes)
        if placed.seq not in self.moved:
            return codes
        return codes | {TIME_OUTLIER} if self.moved[placed.seq] else codes - {TIME_OUTLIER}


def look_at_runs(
    connection: sa.Connection,
    stream: Stream,
    built_us: int,
    arrived: Sequence[Placed],
    codes: Mapping[int, set[str]],
    moved: Mapping[int, bool],
) -> UnsetRuns:
    """
    Judge readings that arrived, and what follows them by number. Nothing is written.

    built_us : where the clock starts. arrived : in order of number. codes : index in the batch -> the other
    doubts about it. moved : number -> is it out of line now; only those of which that changed.
    """
    runs, through, known = UnsetRuns(), 0, _Known(arrived, codes, moved)
    for first, last in clusters(sorted({*(placed.seq for placed in arrived), *moved})):
        if last > through:
            through = _follow(connection, stream, built_us, (first, last), known, runs)
    return runs


def _follow(
    connection: sa.Connection,
    stream: Stream,
    built_us: int,
    numbers: Range,
    known: _Known,
    runs: UnsetRuns,
) -> int:
    """Judge upwards from the first of `numbers`. Returns the last number judged."""
    first, last = numbers
    clock = _clock_below(connection, stream, built_us, first)
    through = first
    for placed in _upward(connection, stream, first, known.arrived):
        through = placed.seq
        stays = _judge(placed, clock, known.doubts(placed), runs)
        if stays and placed.seq > last:
            break
    runs.goes_on = clock.is_running
    return through


def _clock_below(connection: sa.Connection, stream: Stream, built_us: int, first: int) -> UnsetClock:
    """The unset clock as the readings below a number leave it."""
    reached = readings.nearest_below(connection, stream.id, first)
    clock = UnsetClock(built_us, None if reached is None else reached.at_us)
    above = 0 if reached is None else reached.seq
    shown = quarantine.latest(connection, stream.id, CLOCK_UNSET, above=above, below=first)
    at_us = None if shown is None else parse_instant(json.loads(shown)["at"]).us
    if at_us is not None and (clock.starts_at(at_us) or clock.may_show(at_us)):
        clock.showed(at_us)
    return clock


def _judge(placed: Placed, clock: UnsetClock, doubts: set[str], runs: UnsetRuns) -> bool:
    """Judge one reading. doubts : codes. Returns True for a stored one that stays stored."""
    if CLOCK_UNSET in doubts and clock.starts_at(placed.at_us):
        clock.showed(placed.at_us)
        return False
    runs_on = not placed.is_right and clock.runs_on(placed.at_us)
    if placed.entry_id is not None and clock.may_show(placed.at_us):
        runs.entries[placed.entry_id] = runs_on
        doubts = doubts - {CLOCK_UNSET}  # the reason of an earlier check
    elif runs_on and placed.in_batch is not None:
        runs.out.add(placed.in_batch)
    elif runs_on:
        runs.withdrawn[placed.seq] = placed
    if runs_on:
        clock.showed(placed.at_us)
    elif not doubts:  # it is stored, or will be
        clock.reached(placed.at_us)
        return placed.in_batch is None and placed.entry_id is None
    return False


def _upward(
    connection: sa.Connection, stream: Stream, first: int, arrived: Sequence[Placed]
) -> Iterator[Placed]:
    """Readings on the server from a number on, and new ones, in order of number."""
    at: int | None = first
    ours = {placed.seq for placed in arrived}
    while at is not None:
        near = [one for one in there(connection, stream.id, at, at + AT_ONCE) if one.seq >= at]
        above = [one.seq for one in near if one.seq > at + AT_ONCE]
        following = [one.seq for one in arrived if one.seq > at + AT_ONCE]
        piece = [one for one in near if one.seq <= at + AT_ONCE and one.seq not in ours]
        piece = in_order([*piece, *(one for one in arrived if at <= one.seq <= at + AT_ONCE)])
        yield from with_persons_word(connection, stream, piece)
        at = min([*above[:1], *following[:1]], default=None)
