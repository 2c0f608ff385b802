"""
Housings as their readings let judge them at an earlier midnight: what a planner compares the present with.

Promises: no reading measured since then is in it, nor an entry that became known since. What the fleet
teaches is that of now, so a difference comes from the readings and the entries alone. A picture of then is
worked out once in a process: readings of then that arrive later change it after the next midnight.
Leaves to others: what differs (`ingest.shop.fleet_changes`), who may see it (`ingest.api.routes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import (
    HOUR_US,
    MICRO,
    SnapshotInUse,
    View,
    facts_of,
    studied,
    terminal_at,
)
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.restriction import Assessment, HousingFacts, Study, Summaries, assess
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.surroundings import of_housings


def back_then(
    connection: sa.Connection,
    present: Memory,
    past: Memory,
    known: SnapshotInUse,
    views: Sequence[View],
    then_us: int,
    *,
    horizon_days: float,
    working_out: WorkingOut,
) -> dict[int, Assessment]:
    """
    Housing id -> what was to be said of it then. views : of one owner, as of now.

    present : with the summaries of now, of which those of then are a part. past : with the studies of then.
    Raises TryAgain as `WorkingOut.begin_one` does.
    """
    housings = [view.housing for view in views]
    around = of_housings(connection, housings, then_us, whole_owner=False)
    found: dict[int, Assessment] = {}
    for view in views:
        housing, near = view.housing, around[view.housing.id]
        terminal = terminal_at(near.terminals, then_us)
        changes = [change for change in near.changes if change.known_us <= then_us]
        gauges = [gauge for gauge in near.gauges if gauge.at_us <= then_us]
        notes = [note for note in near.notes if note.at_us <= then_us]
        facts = facts_of(housing, terminal, changes, gauges, known.knowledge, notes)
        facts = replace(facts, planning_horizon_days=horizon_days)

        def make(housing: HousingRow = housing, facts: HousingFacts = facts) -> Study:
            working_out.begin_one()
            return studied(housing, _until(present.summaries(connection, housing), then_us), facts)

        entered = (tuple(changes), tuple(gauges), tuple(notes))
        basis = (housing._replace(revision=0), terminal, entered, then_us, known.number, horizon_days)
        study = past.study(housing.id, basis, make)
        found[housing.id] = assess(study, now_s=then_us / MICRO)
    return found


def _until(summaries: Summaries, then_us: int) -> Summaries:
    """The hours that had ended then."""
    starts = summaries.hours["hour_s"]
    later = starts[starts + HOUR_US // MICRO > then_us // MICRO]
    return summaries.patched(Summaries.of([]), later.tolist())
