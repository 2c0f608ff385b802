"""
A machine that works although it is entered as laid up, and the working time that a lay-up leaves out.

Promises: pure. The readings are evidence against the entry: a lay-up that they contradict moves no date
until a person has settled it.
Leaves to others: the entry itself (the shop), the dates (`assess`), the sentence (`plain_forms`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.forecast.duty import Duty, usual_hours, worked
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, Summaries
from cleanside.ingest.restriction.verdict.statement import Statement, say

SEEN_DAYS = 90  # back from the newest reading, as the trend; chosen
#: an engine that stands for long is run now and then for less (common practice, without a source)
LEAST_DAY_H = 2.0
#: work so long after the first midnight of a lay-up, in UTC, is still that of the day on which it was parked
#: (arithmetic: days end up to half a day later elsewhere)
PARKED_S = 1.5 * DAY_S


class DayWorked(NamedTuple):
    """A day in UTC on which a machine worked, as its readings show."""

    from_s: float  # its first hour at work begins [s since 1970]
    until_s: float  # its last one ends [s since 1970]
    hours: float  # operating hours


class LayUp(NamedTuple):
    """From and until when a machine is laid up, as entered. [s since 1970 UTC]"""

    from_s: float
    until_s: float  # inf: no end is known

    def holds(self, at_s: float) -> bool:
        """Does it stand at an instant."""
        return self.from_s <= at_s < self.until_s

    def from_within(self, start_s: float) -> float:
        """Where what is left of it begins, from an instant on."""
        return max(self.from_s, start_s)

    def hours_worked(self, duty: Duty, from_s: float, until_s: float) -> float:
        """Operating hours that a machine works as a rule between two instants, outside of it. [h]"""
        stood_from_s, stood_until_s = self.from_within(from_s), min(self.until_s, until_s)
        return usual_hours(duty, from_s, until_s) - usual_hours(duty, stood_from_s, stood_until_s)


def days_worked(table: Summaries) -> tuple[DayWorked, ...]:
    """The days of the last ninety with LEAST_DAY_H of work or more, in order. table : of one housing."""
    if len(table) == 0:
        return ()
    at_s, hours = worked(table, float(table.hours["last_s"][-1]) - SEEN_DAYS * DAY_S)
    if len(at_s) == 0:
        return ()
    first = np.flatnonzero(np.diff(at_s // DAY_S, prepend=-1.0))
    last = np.append(first[1:], len(at_s)) - 1
    place = np.repeat(np.arange(len(first)), last + 1 - first)
    columns = at_s[first], at_s[last] + HOUR_S, np.bincount(place, hours)
    days = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(DayWorked(*day) for day in days if day[2] >= LEAST_DAY_H)


def worked_laid_up(days: Sequence[DayWorked], laid_up: LayUp | None, now_s: float) -> Statement | None:
    """
    The question of a machine that worked although it is laid up; None: it did not, or the lay-up is over.

    days : as of `days_worked`.
    """
    if laid_up is None or laid_up.until_s <= now_s:
        return None
    found = [day for day in days if day.from_s >= laid_up.from_s]
    if not found or found[-1].until_s <= laid_up.from_s + PARKED_S:
        return None
    mean_h = sum(day.hours for day in found) / len(found)
    return say("worked_laid_up", from_s=found[0].from_s, until_s=found[-1].until_s, hours_per_day=mean_h)
