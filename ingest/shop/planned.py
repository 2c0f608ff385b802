"""
A planned change: is it still to come, was it made, or did its day pass without one?

Promises: pure. A change is made where restriction fell after the plan was made, or a person entered it and
the readings do not contradict that.
Leaves to others: where it stands in a list (`ingest.api.routes.restriction`), the entry itself.
"""

from __future__ import annotations

import hashlib
import json
from typing import Literal

from cleanside.ingest.restriction import Study
from cleanside.ingest.store.element_changes import EntriesMade
from cleanside.ingest.store.papers import PlannedChange

PlanState = Literal["open", "missed", "done"]

MICRO = 1_000_000
HOUR_US = 3_600 * MICRO  # a fall is known to the operating hour
WORK = frozenset(("new", "cleaned"))
VERSION_CHARACTERS = 16  # 64 bits; chosen: two versions of one housing are never the same by chance


def plan_state(planned: PlannedChange, *, changed_us: int | None, now_us: int) -> PlanState:
    """
    What became of a plan.

    changed_us : when the element was changed last (`last_change_us`); None: never, as far as is known.
    """
    if changed_us is not None and changed_us >= planned.planned_us:
        return "done"
    return "missed" if now_us >= planned.passes_us else "open"


def last_change_us(study: Study) -> int | None:
    """When the element was changed last: a person's entry, or the end of the hour of a fall; None: never."""
    found = [
        round(entry.entry.at_s * MICRO)
        for entry in study.entries
        if entry.entry.what in WORK and not entry.is_question
    ]
    if study.lives and study.lives[-1].began_by == "found":
        found.append(round(study.lives[-1].start_s * MICRO) + HOUR_US)
    return max(found, default=None)


def state_of_plan(planned: PlannedChange | None, study: Study, now_us: int) -> PlanState | None:
    """What became of the plan of a housing; None: none was made."""
    if planned is None:
        return None
    return plan_state(planned, changed_us=last_change_us(study), now_us=now_us)


def version_of(planned: PlannedChange | None, made: EntriesMade) -> str:
    """
    Of what people decided about an element: another one once a day is planned, moved or taken back, or work
    is entered or taken back. Readings do not change it.
    """
    decided = json.dumps([planned, made])
    return hashlib.sha256(decided.encode()).hexdigest()[:VERSION_CHARACTERS]
