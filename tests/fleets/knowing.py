"""An observer that knows the truth: what a score must call perfect, on every fleet."""

from __future__ import annotations

import numpy as np

from tests.fleets.observing import FoundChange, Observation, Points
from tests.fleets.score import ACCEPTED
from tests.fleets.truth import DAY_S, EntryIs, Machine, Work

KINDS = {Work.NEW: "new", Work.CLEANED: "cleaned"}
PLAN_DAYS = 14.0


def say_the_truth(machine: Machine) -> list[Observation]:
    """What would be said of a machine each evening by who knows it."""
    return [_observation(machine, row) for row in range(len(machine.evenings.at_s))]


def _observation(machine: Machine, row: int) -> Observation:
    at_s = float(machine.evenings.at_s[row])
    left = float(machine.evenings.latch_days_left[row])
    wrong = machine.faults_at(at_s)
    made = (c for c in machine.changes if c.at_s <= at_s and c.work in KINDS and not c.is_entered)
    return Observation(
        machine=machine.name,
        at_s=at_s,
        state=_state(left, is_wrong=bool(wrong)),
        causes=frozenset(min(ACCEPTED[fault.cause]) for fault in wrong),
        share_percent=float(machine.evenings.share_percent[row]),
        due_s=_points(at_s, left),
        latch_s=_points(at_s, left),
        found=tuple(FoundChange(at_s=change.at_s, kind=KINDS[change.work]) for change in made),
        questioned=frozenset(e.entry_id for e in machine.entries if e.kind is EntryIs.WRONG_MACHINE),
    )


def _state(left_days: float, *, is_wrong: bool) -> str:
    if is_wrong:
        return "suspect"
    if left_days == 0:
        return "over"
    return "plan" if left_days <= PLAN_DAYS else "serving"


def _points(at_s: float, left_days: float) -> Points | None:
    """Half a day either way; None for an element that is torn or missing."""
    if np.isnan(left_days):
        return None
    early, middle, late = (at_s + (left_days + off) * DAY_S for off in (-0.5, 0.0, 0.5))
    return early, middle, late
