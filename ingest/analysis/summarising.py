"""
The analysis in the background: it summarises changed hours again, and learns from the fleet.

Promises: current shortly after a commit, whatever the order of arrival: an hour is summarised from all its
stored readings, each time it changes. Readings belong to the housing on which their device sat when they were
measured. Rows and revisions are read in one view, so no later reading is missed, and no process overwrites a
summary that another made from newer rows. Of several processes over one database each takes other housings;
what a killed one had is taken over.
Leaves to others: summary and assessment (`ingest.restriction`), the schedule of learning
(`ingest.analysis.knowledge`).
"""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from functools import partial
from itertools import chain
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.analysis import corrections
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.quarantine.replay import after_a_start, reconsider
from cleanside.ingest.restriction import Readings, summarise_hours
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.store import dialect, fleet, hours, partitions, quarantine, raw, streams, turns
from cleanside.ingest.store.at_rest import HourColumns
from cleanside.ingest.store.fleet import Assignment
from cleanside.ingest.store.hours import HOUR_US, Behind, Kept
from cleanside.ingest.store.marks import Range, ranges_of
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

HOURS_A_JOB = 100  # of a pass, in one commit: live readings wait for it; chosen
HOURS_A_PASS = 400  # hours of a stream; bounds memory and the time a pass takes; chosen
ANALYSIS_PAUSE_S = 0.25  # between passes with nothing due; chosen: a person sees no delay
# While a backlog waits to be written, a pass waits too: both want the one processor that Python uses.
STAND_BACK_S = 0.05  # then it looks again; chosen: shorter than a commit of bulk
LONGEST_STAND_BACK_S = 10.0  # before each pass: a flood that lasts must not stop the analysis; chosen
REST_TIMES = 4.0  # rest after each housing meanwhile: a pass takes a fifth of the processor then; chosen
LONGEST_RESTS_S = 3.0  # of a pass, whose view of the database has a time limit; chosen
MICRO = 1_000_000  # arithmetic

#: columns of the store that the analysis looks at: each has the name of its field of `restriction.Readings`
COLUMNS = tuple(
    quantity.column for quantity in QUANTITIES.values() if quantity.column in Readings.__dataclass_fields__
)


class Analyst:
    """A thread that keeps summaries current and checks quarantined readings again."""

    def __init__(
        self, resources: Resources, on_pass: Callable[[], None], draw: Callable[[], float] = random.random
    ) -> None:
        """
        on_pass : further work without hurry; called between passes.
        draw : from 0 to 1; where the first pass begins, so that processes do not meet at the same streams.
        """
        self._resources = resources
        self._on_pass = on_pass
        self._draw = draw
        self._thread = threading.Thread(target=self._work, name="analyst", daemon=True)
        self._next_recheck_us: int | None = None  # None: the server has just started

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        self._thread.join()

    def _work(self) -> None:
        stopping = self._resources.stopping
        begin: int | None = None
        while not stopping.is_set():
            try:
                if begin is None:
                    begin = somewhere(self._resources, self._draw())
                stand_back(lambda: self._resources.writer.is_in_bulk, stopping.wait)
                # Fewer hours than a pass takes: the next batches mostly change the same hours, so it waits
                # for them.
                done = run_pass(self._resources, begin)
                begin, busy = done.begin, done.hours >= HOURS_A_PASS
                self._recheck()
                self._on_pass()
                self._resources.write_ahead_log.keep_short()
            except TryAgain as error:  # stopping, or the database does not answer: what is due stays due
                log.info("ingest.analysis_waits", extra={"reason": error.reason})
                busy = False
            except Exception:
                log.exception("ingest.analysis_failed")
                busy = False
            if not busy:
                stopping.wait(ANALYSIS_PAUSE_S)

    def _recheck(self) -> None:
        now_us = self._resources.clock()
        if self._next_recheck_us is None:
            self._resources.writer.call_patiently(lambda connection: after_a_start(connection, now_us))
        if self._next_recheck_us is None or now_us >= self._next_recheck_us:
            self._next_recheck_us = now_us + self._resources.settings.recheck_interval_s * MICRO
            self._resources.look_up_form()
            make_months_ahead(self._resources, now_us)
            recheck_due(self._resources, now_us)


def stand_back(bulk_waits: Callable[[], bool], wait: Callable[[float], bool]) -> None:
    """
    Let a backlog that waits to be written go first, for `LONGEST_STAND_BACK_S` at most.

    wait : waits that many seconds; True where it is time to end.
    """
    looks = round(LONGEST_STAND_BACK_S / STAND_BACK_S)
    while looks and bulk_waits() and not wait(STAND_BACK_S):
        looks -= 1


def make_months_ahead(resources: Resources, now_us: int) -> None:
    """Make the tables of the next months of readings before they begin (PostgreSQL)."""
    with resources.reading() as connection:
        if not partitions.are_missing(connection, now_us):
            return
    resources.writer.call_patiently(lambda connection: partitions.make_ahead(connection, now_us))


def recheck_due(resources: Resources, now_us: int) -> int:
    """Check readings again whose future time has come. Returns how many are stored now."""
    with resources.reading() as connection:
        if not quarantine.due(connection, now_us, limit=1):
            return 0

    def recheck(connection: sa.Connection) -> int:
        if not turns.is_ours(connection, turns.RECHECK):
            return 0
        return reconsider(connection, quarantine.due(connection, now_us), now_us)

    return resources.writer.call_patiently(recheck)


class HousingWork(NamedTuple):
    """The new summaries of a housing, and the revision that they were made at."""

    housing_id: int
    revision: int
    found: list[Kept]


def somewhere(resources: Resources, part: float) -> int:
    """A stream to begin at, this part of all from the first."""
    with resources.reading() as connection:
        return int(part * streams.newest_id(connection))


class Pass(NamedTuple):
    """How many hours were due and taken, and after which stream the next pass begins."""

    hours: int
    begin: int


def run_pass(resources: Resources, begin: int = 0) -> Pass:
    """
    Summarise hours that are due, up to `HOURS_A_PASS`, of housings that no other process works on.

    begin : streams after this one come first, then the others. A pass that always began at the first stream
        would never reach the last where the first are due again each time.
    """
    if resources.is_sqlite:  # no other process serves this file
        return _pass(resources, begin, lambda c: _due_from(c, begin))
    with resources.reading() as holding:
        if not (ours := _streams_in_turn(holding, begin)):
            return Pass(0, begin)
        # A view of its own, begun now: it has what the last process wrote in its turn.
        return _pass(resources, begin, lambda c: hours.behind_of(c, ours, limit=HOURS_A_PASS))


def _legs(begin: int) -> tuple[tuple[int, int], tuple[int, int]]:
    """Streams after the first and up to the second number of each: all of them, in the order of a pass."""
    return (begin, hours.EVERY_STREAM), (0, begin)


def _due_from(connection: sa.Connection, begin: int) -> list[Behind]:
    due: list[Behind] = []
    for after, up_to in _legs(begin):
        due += hours.behind(connection, limit=HOURS_A_PASS - len(due), after=after, up_to=up_to)
    return due


def _streams_in_turn(holding: sa.Connection, begin: int) -> list[int]:
    """Streams with due hours, enough for a pass, whose housings this connection has the turn of now."""
    ours: dict[int, None] = {}
    many = 0
    for first, up_to in _legs(begin):
        after = first
        while many < HOURS_A_PASS and (
            due := hours.behind(holding, limit=HOURS_A_PASS - many, after=after, up_to=up_to)
        ):
            devices = _devices_in_turn(holding, {behind.device_id for behind in due})
            found = [behind.stream_id for behind in due if behind.device_id in devices]
            ours |= dict.fromkeys(found)
            many, after = many + len(found), due[-1].stream_id
    return list(ours)


def _devices_in_turn(holding: sa.Connection, device_ids: Collection[int]) -> frozenset[int]:
    """Those of these devices whose housings are all ours; one that never sat on any is taken by itself."""
    housings = {device_id: fleet.housings_ever(holding, device_id) for device_id in device_ids}
    alone = turns.taken(holding, turns.DEVICE, [device for device, seats in housings.items() if not seats])
    ours = turns.taken(holding, turns.HOUSING, set(chain.from_iterable(housings.values())))
    return alone | {device for device, seats in housings.items() if seats and ours.issuperset(seats)}


def _pass(resources: Resources, begin: int, due_of: Callable[[sa.Connection], list[Behind]]) -> Pass:
    with resources.reading() as connection:
        due = due_of(connection)
        if not due:
            return Pass(0, begin)
        stream_ids = sorted({behind.stream_id for behind in due})
        if corrections.waits(connection, stream_ids):  # times first, then the summaries
            now_us = resources.clock()
            resources.writer.call_patiently(
                lambda writing: corrections.apply_due(writing, stream_ids, now_us)
            )
            return Pass(HOURS_A_PASS, begin)  # the corrected hours are due now
        work = _summarise_all(resources, connection, _by_housing(connection, due))

    _save(resources, due, work)
    return Pass(len(due), due[-1].stream_id)  # what the limit cut of this stream comes in the next round


def _save(resources: Resources, due: Sequence[Behind], work: Sequence[HousingWork]) -> None:
    """
    Write summaries, then which hours need no other: in several jobs, so that live readings come between.

    What ends the process between two of them leaves these hours due, and they are summarised again.
    """
    again: frozenset[int] = frozenset()
    for some in _in_jobs(work):
        again |= resources.writer.call_patiently(partial(hours.put_all_summaries, made=some))
    done = [behind for behind in due if behind.hour not in again]
    for piece in dialect.chunks(done, HOURS_A_JOB):
        resources.writer.call_patiently(partial(hours.mark_analysed, done=piece))


def _in_jobs(work: Sequence[HousingWork]) -> Iterator[list[HousingWork]]:
    """Housings whose hours make one job, each whole."""
    job: list[HousingWork] = []
    for made in work:
        job.append(made)
        if sum(len(one.found) for one in job) >= HOURS_A_JOB:
            yield job
            job = []
    if job:
        yield job


def _by_housing(connection: sa.Connection, due: Sequence[Behind]) -> dict[int, list[int]]:
    """Housing -> hours to summarise, in order. Readings may have counted on every housing of the device."""
    wanted: dict[int, set[int]] = {}
    for device_id in sorted({behind.device_id for behind in due}):
        touched = {behind.hour for behind in due if behind.device_id == device_id}
        for housing_id in fleet.housings_ever(connection, device_id):
            wanted.setdefault(housing_id, set()).update(touched)
    return {housing_id: sorted(found) for housing_id, found in sorted(wanted.items())}


def _summarise_all(
    resources: Resources, connection: sa.Connection, wanted: Mapping[int, Sequence[int]]
) -> list[HousingWork]:
    """
    `summarise` of each housing, with its hours.

    It rests between them while a backlog comes: a thread that computes delays every live reading.
    """
    left_s, made = LONGEST_RESTS_S, []
    for housing_id, hours_of in wanted.items():
        began_s = time.perf_counter()
        made.append(summarise(connection, housing_id, hours_of))
        if left_s > 0 and resources.writer.is_in_bulk:
            rest_s = min(REST_TIMES * (time.perf_counter() - began_s), left_s)
            resources.stopping.wait(rest_s)
            left_s -= rest_s
    return made


def summarise(connection: sa.Connection, housing_id: int, wanted: Sequence[int]) -> HousingWork:
    """Summaries of these hours (whole hours since 1970, in order); empty where an hour has no readings."""
    revision = fleet.revision_of(connection, housing_id)
    seats = fleet.assignments_of_housing(connection, housing_id)
    found: dict[int, Kept] = {}
    for run in ranges_of(wanted):
        parts = [(s.device_id, part) for s in seats for part in _parts_of_seat(connection, s, run)]
        summaries = summarise_hours(as_readings(parts))
        hours_of = (summaries.hours["hour_s"] // 3600).tolist()
        packed = zip(hours_of, summaries.packed(), summaries.parts, strict=True)
        found |= {hour: Kept(hour, *row, devices) for hour, row, devices in packed}
    return HousingWork(housing_id, revision, [found.get(hour, Kept(hour, None, None)) for hour in wanted])


def _parts_of_seat(connection: sa.Connection, seat: Assignment, run: Range) -> list[HourColumns]:
    """Readings of a device in these hours while it sat on the housing."""
    from_us, until_us = run[0] * HOUR_US, (run[1] + 1) * HOUR_US
    from_us = max(from_us, seat.from_us) if seat.from_us is not None else from_us
    until_us = min(until_us, seat.until_us) if seat.until_us is not None else until_us
    if from_us >= until_us:
        return []
    return raw.readings_between(connection, seat.device_id, from_us, until_us, COLUMNS)


def as_readings(parts: Sequence[tuple[int, HourColumns]]) -> Readings:
    """Parts of `raw.readings_between` with `COLUMNS`, each with the id of its device."""
    filled = [(device, part) for device, part in parts if len(part["at_us"])]
    if not filled:
        return Readings(at_s=np.empty(0))
    columns = {
        name: _together(name, [part for _, part in filled])
        for name in COLUMNS
        if any(name in part and not np.isnan(part[name]).all() for _, part in filled)
    }
    lengths = [len(part["at_us"]) for _, part in filled]
    columns["device"] = np.repeat([float(device) for device, _ in filled], lengths)
    return Readings(at_s=_together("at_us", [part for _, part in filled]) / MICRO, **columns)


def _together(name: str, parts: Sequence[HourColumns]) -> FloatArray:
    """One column of all parts, NaN where a part has none."""
    columns = [part[name] if name in part else np.full(len(part["at_us"]), np.nan) for part in parts]
    return columns[0] if len(columns) == 1 else np.concatenate(columns)
