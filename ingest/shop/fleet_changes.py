"""
What changed of a housing between two looks: its state, its due date, its faults.

Promises: pure. A due date is compared where it is of the same element; a new one has a date of its own.
Leaves to others: the two looks (`ingest.analysis.back_then`), words.
"""

from __future__ import annotations

from dataclasses import dataclass

from cleanside.ingest.restriction import Assessment
from cleanside.ingest.restriction.verdict.look_then import LookThen, look_of
from cleanside.ingest.shop.planned import last_change

DAY_S = 86_400
#: of the likely date; less moves from day to day by itself (chosen)
MOVED_DAYS = 3


@dataclass(frozen=True, kw_only=True)
class HousingChange:
    """What changed of one housing."""

    state_then: str
    state: str
    #: how far the likely date moved, later is positive [days]; None: not so far, or of another element
    due_moved_days: float | None
    #: when its element was changed since [us]; None: it was not
    changed_us: int | None
    #: id of the entry that says so and that no reading confirms yet; None: not so
    awaited: str | None
    faults_new: tuple[str, ...]
    faults_settled: tuple[str, ...]

    @property
    def is_any(self) -> bool:
        """Did anything change."""
        moved = self.due_moved_days is not None or self.changed_us is not None
        return self.state != self.state_then or moved or bool(self.faults_new or self.faults_settled)


def change_of(then: LookThen, now: Assessment, *, then_us: int, moved_days: float) -> HousingChange:
    """What changed since a look. moved_days : a due date that moved by less is no change."""
    changed, present = last_change(now.study), look_of(now)
    changed_us = changed.at_us if changed is not None and changed.at_us > then_us else None
    moved = None if changed_us is not None else _moved_days(then, present)
    before, after = then.causes, present.causes
    return HousingChange(
        state_then=then.state,
        state=now.state,
        due_moved_days=moved if moved is not None and abs(moved) >= moved_days else None,
        changed_us=changed_us,
        awaited=None if changed_us is None or changed is None else changed.awaited,
        faults_new=tuple(cause for cause in after if cause not in before),
        faults_settled=tuple(cause for cause in before if cause not in after),
    )


def _moved_days(then: LookThen, now: LookThen) -> float | None:
    if then.due_s is None or now.due_s is None:
        return None
    if then.state == "over" == now.state:  # reached: the likely date is only the instant of the look
        return None
    return (now.due_s.p50 - then.due_s.p50) / DAY_S
