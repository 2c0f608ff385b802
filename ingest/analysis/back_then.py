"""
Housings as their readings let judge them at an earlier midnight: what a planner compares the present with.

Promises: no reading measured since then is in it, nor an entry that became known since. What the fleet
teaches is that of now, so a difference comes from the readings and the entries alone. A look stays in memory
until its input changes: readings of then that arrive later change it at the next request.
Leaves to others: what differs (`ingest.shop.fleet_changes`), who may see it (`ingest.api.routes`), which
looks are worked out before a person asks (`ready_looks`).
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from datetime import time as midnight
from typing import NamedTuple
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import (
    HOUR_US,
    MICRO,
    SnapshotInUse,
    facts_of,
    studied,
    terminal_at,
)
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.restriction import HousingFacts, Summaries, assess
from cleanside.ingest.restriction.verdict.look_then import LookThen, look_of
from cleanside.ingest.store import hours
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.surroundings import HousingSurroundings, of_housings

SPAN_DAYS = 7  # from one weekly look to the next; chosen
#: looks at a housing that stay, of two snapshots: those worked out ahead, and others that people take; chosen
LOOKS_EACH = 12
MAX_LOOKS = 240_000  # of twenty thousand housings; chosen, their size was not measured


class KeptLook(NamedTuple):
    """A look in memory, and what it was made from."""

    basis: Hashable
    revision: int  # of its housing: up to it no hour of then changed
    look: LookThen


class PastLooks:
    """The last looks at each housing, safe between threads."""

    def __init__(self) -> None:
        self._kept: OrderedDict[int, tuple[KeptLook, ...]] = OrderedDict()
        self._lock = threading.Lock()

    def find(self, housing_id: int, basis: Hashable) -> KeptLook | None:
        """The look from this input; None: it is not in memory."""
        with self._lock:
            kept = self._kept.get(housing_id, ())
        return next((one for one in kept if one.basis == basis), None)

    def keep(self, housing_id: int, new: KeptLook) -> None:
        """Keep a look, in place of an earlier one from the same input."""
        with self._lock:
            others = (one for one in self._kept.get(housing_id, ()) if one.basis != new.basis)
            self._kept[housing_id] = (new, *others)[:LOOKS_EACH]
            self._kept.move_to_end(housing_id)
            if len(self._kept) > MAX_LOOKS // LOOKS_EACH:
                self._kept.popitem(last=False)


@dataclass(frozen=True)
class _HousingThen:
    """A housing, and what was entered of it by then."""

    housing: HousingRow
    facts: HousingFacts
    basis: Hashable


def back_then(
    connection: sa.Connection,
    present: Memory,
    past: PastLooks,
    known: SnapshotInUse,
    housings: Sequence[HousingRow],
    then_us: int,
    *,
    horizon_days: float,
    working_out: WorkingOut,
) -> dict[int, LookThen]:
    """
    Housing id -> what was to be said of it then. housings : of one owner, as `connection` sees them.

    present : with the summaries of now, of which those of then are a part. past : with the looks made before.
    Raises TryAgain as `WorkingOut.begin_one` does.
    """
    around = of_housings(connection, housings, then_us, whole_owner=False)
    asked = [_asked(housing, around[housing.id], then_us, known, horizon_days) for housing in housings]
    current = _current(connection, past, asked, then_us)
    found: dict[int, LookThen] = {}
    for one in asked:
        housing = one.housing
        if housing.id in current:
            found[housing.id] = current[housing.id]
            continue
        working_out.begin_one()
        summaries = _until(present.summaries(connection, housing), then_us)
        look = look_of(assess(studied(housing, summaries, one.facts), now_s=then_us / MICRO))
        past.keep(housing.id, KeptLook(one.basis, housing.revision, look))
        found[housing.id] = look
    return found


def midnight_us(now_us: int, days: int, zone: str) -> int:
    """The midnight so many days before today's, in a time zone."""
    today = datetime.fromtimestamp(now_us / MICRO, ZoneInfo(zone)).date()
    begins = datetime.combine(today - timedelta(days=days), midnight(), ZoneInfo(zone))
    return round(begins.timestamp()) * MICRO


def _asked(
    housing: HousingRow,
    near: HousingSurroundings,
    then_us: int,
    known: SnapshotInUse,
    horizon_days: float,
) -> _HousingThen:
    terminal = terminal_at(near.terminals, then_us)
    changes = [change for change in near.changes if change.known_us <= then_us]
    gauges = [gauge for gauge in near.gauges if gauge.at_us <= then_us]
    notes = [note for note in near.notes if note.at_us <= then_us]
    facts = facts_of(housing, terminal, changes, gauges, known.knowledge, notes)
    entered = (tuple(changes), tuple(gauges), tuple(notes))
    basis = (then_us, known.number, horizon_days, housing._replace(revision=0), terminal, entered)
    return _HousingThen(housing, replace(facts, planning_horizon_days=horizon_days), basis)


def _current(
    connection: sa.Connection, past: PastLooks, asked: Sequence[_HousingThen], then_us: int
) -> Mapping[int, LookThen]:
    """The looks in memory of which no hour changed since; they count as made at the revision of now."""
    kept = [(one, look) for one in asked if (look := past.find(one.housing.id, one.basis)) is not None]
    older = {one.housing.id: look.revision for one, look in kept if look.revision < one.housing.revision}
    changed = hours.changed_before(connection, older, then_us // HOUR_US)
    for one, look in kept:
        if one.housing.id in older and one.housing.id not in changed:
            past.keep(one.housing.id, look._replace(revision=one.housing.revision))
    return {one.housing.id: look.look for one, look in kept if one.housing.id not in changed}


def _until(summaries: Summaries, then_us: int) -> Summaries:
    """The hours that had ended then."""
    starts = summaries.hours["hour_s"]
    later = starts[starts + HOUR_US // MICRO > then_us // MICRO]
    return summaries.patched(Summaries.of([]), later.tolist())
