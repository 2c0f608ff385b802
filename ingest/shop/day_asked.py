"""
A day that a person plans a change for: can it hold, or is it to be asked about first?

Promises: pure. Nothing is refused here: a person who means the day says so, and it stands.
Leaves to others: the forecast (`work_list.chance_at_limit`), words.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal

from cleanside.ingest.planning.shop_terms import WorkingDays

#: reached: the element is at its limit already, and the day is not the first working day.
#: too_late: the element is likely at its limit before. far: nothing says when it is, and the day is far off.
#: no_work: it is no working day
DayQuestion = Literal["reached", "too_late", "far", "no_work"]

ASKED_CHANCE = 0.5  # of being at the limit before its day: more likely than not (chosen)
FAR_DAYS = 92  # ahead, without a date to compare with; chosen: a quarter, a mistyped year is further off
MICRO, DAY_US = 1_000_000, 86_400_000_000


def day_start_s(passes_us: int) -> float:
    """When a day that ends then begins, to the hour where clocks change. [s since 1970 UTC]"""
    return (passes_us - DAY_US) / MICRO


def waits_over(on: date, *, today: date, working: WorkingDays) -> bool:
    """Does a machine over its limit wait longer than until the first working day, from today on."""
    return on > working.first(today, date.max)


def day_questions(
    on: date, *, today: date, chance: float | None, working: WorkingDays, is_over: bool = False
) -> tuple[DayQuestion, ...]:
    """
    What a person is asked about a day, all of it at once; empty: nothing.

    chance : that the element is at its limit before the day, 0 to 1; None: no dates.
    is_over : it is at its limit already.
    """
    found: list[DayQuestion] = []
    if is_over and waits_over(on, today=today, working=working):
        found.append("reached")
    if not is_over and chance is not None and chance >= ASKED_CHANCE:
        found.append("too_late")
    if not is_over and chance is None and on > today + timedelta(days=FAR_DAYS):
        found.append("far")
    if not working.has(on):
        found.append("no_work")
    return tuple(found)
