"""
The analysis in the background: hours that changed get their summary anew, and what the fleet teaches is kept.

Promises: always current shortly after a commit, whatever the order of arrival: an hour is summarised from
all its stored readings, each time it changes. Readings belong to the housing their device sat on when they
were taken. Rows and revisions are read in one unmoving state, so nothing that comes meanwhile is missed.
Leaves to others: what a summary and an assessment say (`ingest.restriction`).
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import sqlalchemy as sa

from gateway.units import QUANTITIES
from ingest.errors import TryAgain
from ingest.marks import Range, ranges_of
from ingest.replay import reconsider
from ingest.resources import Resources
from ingest.restriction import Readings, summarise_hours
from ingest.store import fleet, hours, quarantine
from ingest.store.fleet import Assignment
from ingest.store.hours import HOUR_US, Behind

log = logging.getLogger("cleanside.ingest")

HOURS_A_PASS = 400  # hours of a stream; bounds memory and the time a pass takes; chosen
PAUSE_S = 0.25  # between passes with nothing due; chosen: what a person takes for at once
MICRO = 1_000_000

# Column of the store -> field of `restriction.Readings`, where the names differ.
_FIELDS = {"engine_load_ratio": "engine_load"}
#: columns of the store that the analysis looks at
COLUMNS = tuple(
    quantity.column
    for quantity in QUANTITIES.values()
    if _FIELDS.get(quantity.column, quantity.column) in Readings.__dataclass_fields__
)


class Analyst:
    """A thread that keeps summaries current and looks again at what is held."""

    def __init__(self, resources: Resources, on_pass: Callable[[], None]) -> None:
        """on_pass : further work that may wait for a quiet moment; called between passes."""
        self._resources = resources
        self._on_pass = on_pass
        self._thread = threading.Thread(target=self._work, name="analyst", daemon=True)
        self._next_recheck_us = 0

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        self._thread.join()

    def _work(self) -> None:
        stopping = self._resources.stopping
        while not stopping.is_set():
            try:
                busy = run_pass(self._resources)
                self._recheck()
                self._on_pass()
            except TryAgain as error:  # stopping, or the database is away: what is due stays due
                log.info("ingest.analysis_waits", extra={"reason": str(error)})
                busy = False
            except Exception:
                log.exception("ingest.analysis_failed")
                busy = False
            if not busy:
                stopping.wait(PAUSE_S)

    def _recheck(self) -> None:
        now_us = self._resources.clock()
        if now_us >= self._next_recheck_us:
            self._next_recheck_us = now_us + self._resources.settings.recheck_interval_s * MICRO
            recheck_due(self._resources, now_us)


def recheck_due(resources: Resources, now_us: int) -> int:
    """Look again at readings held for a time that has come. Returns how many are stored now."""
    with resources.reading() as connection:
        if not quarantine.due(connection, now_us, limit=1):
            return 0
    return resources.writer.call(lambda c: reconsider(c, quarantine.due(c, now_us), now_us))


def run_pass(resources: Resources) -> bool:
    """Summarise the hours that are due, up to `HOURS_A_PASS`. True if there were any."""
    with resources.reading() as connection:
        due = hours.behind(connection, limit=HOURS_A_PASS)
        if not due:
            return False
        work = [
            (housing_id, *_summarise(connection, housing_id, wanted))
            for housing_id, wanted in _by_housing(connection, due).items()
        ]

    def save(connection: sa.Connection) -> None:
        for housing_id, records, gone in work:
            hours.put_summaries(connection, housing_id, records, gone)
        hours.mark_analysed(connection, due)

    resources.writer.call(save)
    return True


def run_until_current(resources: Resources) -> None:
    """Summarise everything that is due now."""
    while run_pass(resources):
        pass


def _by_housing(connection: sa.Connection, due: Sequence[Behind]) -> dict[int, list[int]]:
    """housing -> hours to summarise, in order. Where a device ever sat, its readings may have counted."""
    wanted: dict[int, set[int]] = {}
    for device_id in sorted({behind.device_id for behind in due}):
        touched = {behind.hour for behind in due if behind.device_id == device_id}
        for housing_id in fleet.housings_ever(connection, device_id):
            wanted.setdefault(housing_id, set()).update(touched)
    return {housing_id: sorted(found) for housing_id, found in sorted(wanted.items())}


def _summarise(
    connection: sa.Connection, housing_id: int, wanted: list[int]
) -> tuple[dict[int, str], list[int]]:
    """hour -> record of those that have readings, and the hours that have none."""
    seats = fleet.assignments_of_housing(connection, housing_id)
    records: dict[int, str] = {}
    for run in ranges_of(wanted):
        rows = [row for seat in seats for row in _rows_of_seat(connection, seat, run)]
        if rows:
            for summary in summarise_hours(as_readings(rows)):
                records[summary.hour_s // 3600] = json.dumps(summary.as_record())
    return records, [hour for hour in wanted if hour not in records]


def _rows_of_seat(connection: sa.Connection, seat: Assignment, run: Range) -> list[tuple[Any, ...]]:
    """Readings a device took in these hours while it sat on the housing."""
    from_us, until_us = run[0] * HOUR_US, (run[1] + 1) * HOUR_US
    from_us = max(from_us, seat.from_us) if seat.from_us is not None else from_us
    until_us = min(until_us, seat.until_us) if seat.until_us is not None else until_us
    if from_us >= until_us:
        return []
    return hours.readings_between(connection, seat.device_id, from_us, until_us, COLUMNS)


def as_readings(rows: Sequence[tuple[Any, ...]]) -> Readings:
    """Rows of `hours.readings_between` with `COLUMNS` as arrays; NaN where a reading has no value."""
    table = np.array(rows, dtype=np.float64)
    columns = {
        _FIELDS.get(name, name): np.ascontiguousarray(table[:, index])
        for index, name in enumerate(COLUMNS, start=1)
        if not np.isnan(table[:, index]).all()
    }
    return Readings(at_s=table[:, 0] / MICRO, **columns)
