"""
A planned change: is it still to come, was it made, did its day pass without one, or is it in question?

Promises: pure. A change is made where restriction fell after the plan was made, or a person entered it and
the readings do not contradict that. A change that was made before the plan, and that a person entered or
confirmed after it, questions the plan: whoever planned did not know of it.
Leaves to others: where it stands in a list (`ingest.api.routes.restriction`), the entry itself.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Literal, NamedTuple

from cleanside.ingest.restriction import UNCHECKED, Study
from cleanside.ingest.store.element_changes import EntriesMade
from cleanside.ingest.store.papers import PlannedChange

PlanState = Literal["open", "missed", "done", "overtaken"]

MICRO = 1_000_000
HOUR_US = 3_600 * MICRO  # a fall is known to the operating hour
WORK = frozenset(("new", "cleaned"))
VERSION_CHARACTERS = 16  # 64 bits; chosen: two versions of one housing are never the same by chance


class LastChange(NamedTuple):
    """When an element was changed last, and since when a person says so."""

    at_us: int
    known_us: int | None  # None: no person says so; it was found in the readings
    awaited: str | None = None  # id of the entry that says so and that no reading confirms yet; None: not so
    again_us: int | None = None  # as the last entry that says the same work again has it; None: none does

    @property
    def latest_us(self) -> int:
        """The latest instant that anybody gives for it."""
        return self.at_us if self.again_us is None else max(self.at_us, self.again_us)


def plan_state(planned: PlannedChange, *, changed: LastChange | None, now_us: int) -> PlanState:
    """
    What became of a plan.

    changed : the last change of the element (`last_change`); None: none, as far as is known.
    """
    if changed is not None and changed.latest_us >= planned.planned_us:
        return "done"
    if changed is not None and changed.known_us is not None and changed.known_us > planned.planned_us:
        return "overtaken"
    return "missed" if now_us >= planned.passes_us else "open"


def last_change(study: Study) -> LastChange | None:
    """The last change of an element: a person's entry, or the end of the hour of a fall; None: none."""
    found: list[LastChange] = []
    for weighed in sorted(study.entries, key=lambda weighed: weighed.entry.at_s):
        entry = weighed.entry
        if entry.what in WORK and weighed.counts_by_itself:
            awaited = entry.name if weighed.verdict in UNCHECKED and not entry.confirmed else None
            found.append(LastChange(round(entry.at_s * MICRO), _us(entry.known_s), awaited))
        elif entry.what in WORK and not weighed.is_question and found:  # it says again what another said
            found[-1] = found[-1]._replace(again_us=round(entry.at_s * MICRO))
    if study.lives and study.lives[-1].began_by == "found":
        found.append(LastChange(round(study.lives[-1].start_s * MICRO) + HOUR_US, None))
    return max(found, key=lambda change: change.latest_us, default=None)


def _us(at_s: float | None) -> int | None:
    return None if at_s is None else round(at_s * MICRO)


def state_of_plan(planned: PlannedChange | None, study: Study, now_us: int) -> PlanState | None:
    """What became of the plan of a housing; None: none was made."""
    if planned is None:
        return None
    return plan_state(planned, changed=last_change(study), now_us=now_us)


def overtaken_by_us(planned: PlannedChange | None, study: Study, now_us: int) -> int | None:
    """When the change was made that questions a plan; None: none does."""
    changed = last_change(study)
    if planned is None or changed is None:
        return None
    is_asked = plan_state(planned, changed=changed, now_us=now_us) == "overtaken"
    return changed.at_us if is_asked else None


def kept_after_us(before: PlannedChange | None, on: str, study: Study, now_us: int) -> int | None:
    """
    The change that a day was kept after, where a person plans it again; None: none questioned it.

    before : the plan that it replaces. on : the day, ISO 8601.
    """
    if before is None or before.planned_on != on:
        return None
    asked_us = overtaken_by_us(before, study, now_us)
    return before.kept_after_us if asked_us is None else asked_us


def times_moved(days: Sequence[tuple[int, str | None]], study: Study) -> int:
    """
    How often a planned day of the present element went to another day.

    days : instants [us] and days as people decided, ISO 8601, in order; None: taken back.
    """
    changed = last_change(study)
    # Days planned before the change was known were meant for the element before.
    known_us = 0 if changed is None else max(changed.latest_us, changed.known_us or 0)
    standing = [on for at_us, on in days if on is not None and at_us > known_us]
    return sum(on != before for before, on in pairwise(standing))


@lru_cache(maxsize=4096)  # of most machines of a list nothing was decided
def version_of(planned: PlannedChange | None, made: EntriesMade) -> str:
    """
    Of what people decided about an element: another one once a day is planned, moved or taken back, or work
    is entered or taken back. Readings do not change it.
    """
    decided = json.dumps([planned, made])
    return hashlib.sha256(decided.encode()).hexdigest()[:VERSION_CHARACTERS]
