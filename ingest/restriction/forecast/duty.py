"""
From operating hours to the calendar, by the machine's own duty and its weekly rhythm.

Promises: idle working days move the date; nights, free days and a key-off do not, because the machine does
not usually work in them. Spread of duty is part of the date's spread.
Leaves to others: the hours left themselves (`forecast`).
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.forecast.prior import Z90
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, FloatArray, HourSummary, Summaries

WEEK_DAYS, DAY_HOURS = 7, 24  # arithmetic
WEEK_S = 7 * DAY_S  # arithmetic
MONDAY_S = 4 * DAY_S  # 1970-01-05, the first Monday since 1970-01-01 (arithmetic)
WINDOW_DAYS = 56  # eight whole weeks: long enough for a rhythm, short enough to follow a new site
PRIOR_HOURS_PER_DAY = 5.0  # one shift on five days a week, with breaks (chosen; used until a week was seen)
PRIOR_WEEKS = 0.25  # of the same work on each day count beside what was seen of each weekday (chosen)
LEAST_DAY_SHARE = 0.02  # of the mean: work on a weekday without work so far stays possible (chosen)
UNSEEN_SPREAD = 0.5  # of the mean duty before a week was seen (chosen: half a shift, or one and a half)
STEADY_SPREAD = 0.05  # of the mean duty however regular it was: next month is another month (chosen)


@dataclass(frozen=True)
class Duty:
    """
    Operating hours a day, and the days they come from.

    hours_per_day : mean. spread : relative standard error of the mean, >= 0. days : how many days were
    averaged.
    day_spread : standard deviation of one day's hours around its weekday's mean. [h]
    rhythm : share of the week's hours in each of its 168 hours from Monday 00:00 UTC on, sums to 1;
        empty = evenly.
    """

    hours_per_day: float
    spread: float
    days: int
    day_spread: float = 0.0
    rhythm: tuple[float, ...] = ()

    @cached_property
    def done_h(self) -> list[float]:
        """Operating hours of a usual week up to each of its 169 full hours. Only with a rhythm."""
        done_h = np.concatenate(([0.0], np.cumsum(self.rhythm))) * (WEEK_DAYS * self.hours_per_day)
        return list(map(float, done_h))

    def done_by(self, into_s: float) -> float:
        """Operating hours of a usual week up to a second of it, 0 <= into_s <= WEEK_S. [h]"""
        done = self.done_h
        place = min(int(into_s // HOUR_S), len(done) - 2)
        return (done[place + 1] - done[place]) / HOUR_S * (into_s - place * HOUR_S) + done[place]


def learn_duty(summaries: Sequence[HourSummary]) -> Duty:
    """
    Duty of the last eight weeks up to the last reading.

    Days after the last reading are not idle days: nothing is known of them.
    """
    table = Summaries.of(summaries)
    if len(table) == 0:
        return Duty(PRIOR_HOURS_PER_DAY, 1.0, 0)
    end_s = float(table.hours["last_s"][-1])
    days = int(min(WINDOW_DAYS, max(1.0, (end_s - float(table.hours["first_s"][0])) / DAY_S)))
    if days >= WEEK_DAYS:
        days -= days % WEEK_DAYS
    worked_s, worked_h = worked(table, end_s - days * DAY_S)
    mean = float(np.sum(worked_h)) / days
    if days < WEEK_DAYS or mean <= 0:
        blended = (mean * days + PRIOR_HOURS_PER_DAY * WEEK_DAYS) / (days + WEEK_DAYS)
        return Duty(blended, UNSEEN_SPREAD, days, blended)
    # An hour that begins with the last reading, as in a series by the full hour, is of the last day.
    place = np.minimum((worked_s - end_s) // DAY_S, -1).astype(np.int64) + days
    of_day = np.bincount(place, worked_h, minlength=days).astype(np.float64)
    around = of_day - _weekday_means(of_day)[np.arange(days) % WEEK_DAYS]
    return Duty(
        mean,
        float(np.std(of_day) / mean / np.sqrt(days)) + STEADY_SPREAD,
        days,
        float(np.std(around)),
        _rhythm(worked_s, worked_h, days),
    )


def worked(table: Summaries, start_s: float) -> tuple[FloatArray, FloatArray]:
    """Start of each hour worked since `start_s` [s], and operating hours in it."""
    recent = table.working & (table.column("hour_s") >= start_s)
    single = table.once("hourly", lambda: _is_hourly(table))
    worked_s = table.column("operating_s")[recent] / HOUR_S
    return table.column("hour_s")[recent], np.ones(len(worked_s)) if single else worked_s


def _is_hourly(table: Summaries) -> bool:
    """An hourly series: each row is one hour."""
    return len(table) > 0 and middle(table.column("readings")) == 1


def _weekday_means(of_day: FloatArray) -> FloatArray:
    """Mean of every seventh day, shape (7,)."""
    return np.asarray(of_day.reshape(-1, WEEK_DAYS).mean(axis=0))


def _rhythm(worked_s: FloatArray, worked_h: FloatArray, days: int) -> tuple[float, ...]:
    """
    How the week's hours fall on its 168 hours: share of the weekday times share of the hour of the day.

    The two are estimated apart, because a few weeks show 7 and 24 numbers well and 168 badly. The fewer the
    weeks, the more the weekdays are drawn to their mean.
    """
    weekday = ((worked_s - MONDAY_S) // DAY_S).astype(np.int64) % WEEK_DAYS
    hour = (worked_s // HOUR_S).astype(np.int64) % DAY_HOURS
    of_weekday = np.bincount(weekday, worked_h, minlength=WEEK_DAYS)
    of_hour = np.bincount(hour, worked_h, minlength=DAY_HOURS)
    even = float(of_weekday.mean())
    drawn = (of_weekday + even * PRIOR_WEEKS * WEEK_DAYS / days) / (1.0 + PRIOR_WEEKS * WEEK_DAYS / days)
    drawn = np.maximum(drawn, LEAST_DAY_SHARE * even)
    shares = np.outer(drawn / drawn.sum(), of_hour / of_hour.sum()).ravel()
    return tuple(shares.tolist())


def usual_hours(duty: Duty, from_s: float, until_s: float) -> float:
    """
    Operating hours that the machine works as a rule between two instants, by its weekly rhythm. [h]

    Not more than the hours of the clock; 0 where `until_s` lies before `from_s`.
    """
    return usual_hours_until(duty, from_s, (until_s,))[0]


def usual_hours_until(duty: Duty, from_s: float, until_s: Sequence[float]) -> list[float]:
    """The same from one instant until each of several. [h]"""
    spans_s = [max(0.0, at_s - from_s) for at_s in until_s]
    week_h = WEEK_DAYS * duty.hours_per_day
    if not duty.rhythm:
        return [min(span_s / HOUR_S, week_h * span_s / WEEK_S) for span_s in spans_s]

    def worked_h(at_s: float) -> float:
        weeks, into_s = divmod(at_s - MONDAY_S, WEEK_S)
        return weeks * duty.done_h[-1] + duty.done_by(into_s)

    before_h = worked_h(from_s)
    return [min(span_s / HOUR_S, worked_h(from_s + span_s) - before_h) for span_s in spans_s]


def days_until(hours: float, duty: Duty) -> float:
    """Days at the mean duty, which does not swing with the weekday."""
    return hours / duty.hours_per_day


def due_dates_s(hours_left: FloatArray, duty: Duty, *, from_s: float) -> FloatArray:
    """
    Instants at which terminal is reached: 10, 50 and 90 % points.

    hours_left : shape (3,), operating hours. [h] from_s : the hours are worked off from here on.
    Returns shape (3,), seconds since 1970-01-01 UTC, rising; no hour is worked off in less than an hour.
    Spread of the hours, of the mean duty and of single days are treated as independent: their squares add, on
    each side separately, in operating hours. The weekly rhythm then gives the instant.
    """
    early_h, likely_h, late_h = map(float, hours_left)
    return np.array(due_points_s(early_h, likely_h, late_h, duty, from_s=from_s))


def due_points_s(
    early_h: float, likely_h: float, late_h: float, duty: Duty, *, from_s: float
) -> tuple[float, float, float]:
    """`due_dates_s` without arrays: a fleet asks for it twice a machine. early_h ... : the points. [h]"""
    duty_h = Z90 * _hypot(duty.spread * likely_h, duty.day_spread * math.sqrt(days_until(likely_h, duty)))
    below, above = _hypot(likely_h - early_h, duty_h), _hypot(late_h - likely_h, duty_h)
    return (
        max(worked_off_s(max(0.0, likely_h - below), duty, from_s), from_s + early_h * HOUR_S),
        max(worked_off_s(likely_h, duty, from_s), from_s + likely_h * HOUR_S),
        max(worked_off_s(likely_h + above, duty, from_s), from_s + late_h * HOUR_S),
    )


def _hypot(a: float, b: float) -> float:
    """That of the C library, as numpy's; `math.hypot` differs in the last bit."""
    return abs(complex(a, b))


def worked_off_s(hours: float, duty: Duty, from_s: float) -> float:
    """
    The instant at which so many operating hours are worked off, beginning at `from_s`. [s]

    Never before as many hours of the clock have passed, whatever the rhythm.
    """
    if not duty.rhythm:
        return from_s + hours * max(HOUR_S, WEEK_S / (WEEK_DAYS * duty.hours_per_day))
    done = duty.done_h
    into_s = (from_s - MONDAY_S) % WEEK_S
    total = duty.done_by(into_s) + hours
    weeks = max(0, math.ceil(total / done[-1]) - 1)
    rest = total - weeks * done[-1]
    place = max(0, bisect_left(done, rest, 0, len(done) - 1) - 1)  # the earliest such instant
    step = done[place + 1] - done[place]
    inside = min(1.0, (rest - done[place]) / step) if step > 0 else 0.0
    return from_s + max(hours * HOUR_S, weeks * WEEK_S + (place + inside) * HOUR_S - into_s)
