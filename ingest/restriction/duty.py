"""
From operating hours to the calendar, by the machine's own duty.

Promises: idle days move the date, a key-off does not; whole weeks are averaged.
Leaves to others: the hours left themselves (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .summary import HOUR_S, FloatArray, HourSummary

DAY_S = 86400.0
WINDOW_DAYS = 28  # four whole weeks: the weekly rhythm averages out
PRIOR_HOURS_PER_DAY = 5.0  # one shift on five days a week, with breaks (chosen; used until a week was seen)


@dataclass(frozen=True)
class Duty:
    """Operating hours a day: mean over whole weeks, the spread of that mean, and the days it rests on."""

    hours_per_day: float
    spread: float  # relative standard error of the mean, >= 0
    days: int


def learn_duty(summaries: Sequence[HourSummary], *, now_s: float) -> Duty:
    """
    Duty of the last four weeks up to the last reading.

    Days after the last reading are not idle days: nothing is known of them.
    """
    if not summaries:
        return Duty(PRIOR_HOURS_PER_DAY, 1.0, 0)
    end_s = min(now_s, summaries[-1].last_s)
    days = int(min(WINDOW_DAYS, max(1.0, (end_s - summaries[0].first_s) / DAY_S)))
    if days >= 7:
        days -= days % 7
    start_s = end_s - days * DAY_S
    hours = np.zeros(days)
    single = np.median([s.readings for s in summaries]) == 1  # an hourly series: each row is one hour
    for summary in reversed(summaries):
        if summary.hour_s < start_s:
            break
        if summary.hour_s <= end_s and summary.bins:
            day = min(days - 1, int((summary.hour_s - start_s) / DAY_S))
            hours[day] += 1.0 if single else summary.operating_s / HOUR_S
    mean = float(np.mean(hours))
    if days < 7 or mean <= 0:
        blended = (mean * days + PRIOR_HOURS_PER_DAY * 7) / (days + 7)
        return Duty(blended, 0.5, days)
    return Duty(mean, float(np.std(hours) / mean / np.sqrt(days)) + 0.05, days)


def due_dates_s(hours_left: FloatArray, duty: Duty, *, from_s: float, now_s: float) -> FloatArray:
    """
    Instants at which terminal is reached: 10, 50 and 90 % points.

    hours_left : shape (3,). [h] from_s : end of what was seen; the hours left count from there.
    Returns shape (3,), seconds since 1970-01-01 UTC, not before `now_s`. Spread of hours and of duty are
    taken as independent, so their relative spreads add in square, each side for itself.
    """
    middle = max(float(hours_left[1]), 1e-9)
    below = np.hypot(1 - min(1.0, float(hours_left[0]) / middle), 1.2816 * duty.spread)
    above = np.hypot(float(hours_left[2]) / middle - 1, 1.2816 * duty.spread)
    days = middle / duty.hours_per_day * np.array([max(0.0, 1 - below), 1.0, 1 + above])
    # Idle since the last reading: the hours left stay, so the date moves on with the clock.
    return np.asarray(max(from_s, now_s) + days * DAY_S)
