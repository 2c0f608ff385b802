"""
What it is expected to cost to change an element on a day, over scenarios of when it reaches its limit.

Promises: pure. Scenarios are the mid-points of equal shares of the stated distribution, so equal dates give
equal costs; nothing is drawn by chance. Costs add up over machines, so an expectation over each machine's own
scenarios is exact for a plan, however the machines' dates depend on each other.

Deciding later is worth something, because more is known then: `gain_of_waiting`.

Three things cost, for a change after t days with the limit reached after T:
- element: the hours it would have lasted, H = hours a day * max(0, T - t), each worth what an hour of a whole
  life costs on average: (price of an element + a visit) / (life) + mean extra fuel. Changing early begins the
  next life earlier by as many hours, and brings the next visit nearer. Source of the rule: the penalty
  functions of Wildeman, Dekker and Smit, European Journal of Operational Research 99, 1997 (from memory).
- fuel: extra fuel from restriction until the change. It rises with the square of time from now to the limit,
  because a loading curve is convex (as in `restriction.verdict.cost_of_waiting`), and past it stays.
- over: days past the limit, at the shop's price of such a day. The monitor shows the limit, so somebody comes
  within `SEEN_WITHIN_DAYS`, on a trip of its own. A machine that is at its limit now waits for its visit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from cleanside.ingest.planning.grouping import FloatArray

SCENARIOS = 40  # with twice as many the costs of a day move by less than 1 % (chosen)
KNOWN_SHARES = (0.0, 0.1, 0.5, 0.9)
#: beyond 90 % the last line goes on, as in `shop.work_list.chance_at_limit`
SHARE_OF_LAST_LINE = 0.4
MOST_CHANCE = 0.99
LEAST_APART_DAYS = 1e-6
SEEN_WITHIN_DAYS = 3.0  # from the limit to a visit that was not planned; chosen: over a weekend


@dataclass(frozen=True, kw_only=True)
class DueDays:
    """When an element reaches its limit, in days from the first day: 1 in 10 by early, 9 in 10 by late."""

    early: float
    likely: float
    late: float
    #: when the dates were said, <= 0; the limit lies not before
    now: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Wear:
    """How an element wears, and what it costs."""

    due: DueDays
    is_over: bool  # it is at its limit for certain
    hours_per_day: float  # operating hours, mean of all days, > 0
    life_hours: float  # operating hours of this element so far
    element_price: float  # element and the work of changing it [currency]
    fuel_now: float = 0.0  # extra fuel from restriction [currency/operating hour]
    fuel_at_limit: float = 0.0  # the same at the limit
    #: what its chance goes by: of a machine without data not the likely dates; None: as `due`
    risk: DueDays | None = None


@dataclass(frozen=True, kw_only=True)
class DayCosts:
    """Of a change on each of some days; arrays of shape (days,)."""

    chance: FloatArray  # that the limit is reached before, 0 to 1
    hours_lost: FloatArray  # operating hours that the element would have lasted, expected
    element: FloatArray  # [currency]
    fuel: FloatArray  # [currency]
    over: FloatArray  # [currency]

    @property
    def all(self) -> FloatArray:
        """Sum of the costs. [currency]"""
        return self.element + self.fuel + self.over


def day_costs(
    wear: Wear,
    after_days: FloatArray,
    *,
    over_price: float,
    trip_price: float = 0.0,
    visit_price: float = 0.0,
) -> DayCosts:
    """
    Expected costs of a change so many days from now.

    after_days : >= 0, shape (days,). over_price : of a day past the limit [currency]. trip_price : of a trip
    that was not planned [currency]. visit_price : of a stop with its trip [currency].
    """
    at = np.asarray(after_days, dtype=np.float64)[:, None]
    due = scenarios(wear)[None, :]
    until = at if wear.is_over else np.minimum(at, due + SEEN_WITHIN_DAYS)
    past = np.maximum(0.0, until - due)
    surprise = 0.0 if wear.is_over else trip_price
    lost_h = wear.hours_per_day * np.maximum(0.0, due - at)
    hour_value = _hour_value(wear, due, visit_price)
    chance = chance_by(wear, np.asarray(after_days, dtype=np.float64))
    return DayCosts(
        chance=chance,
        hours_lost=lost_h.mean(axis=1),
        element=(hour_value * lost_h).mean(axis=1),
        fuel=_fuel(wear, until, due).mean(axis=1),
        over=over_price * past.mean(axis=1) + surprise * chance,
    )


def gain_of_waiting(
    wear: Wear, until_days: FloatArray, service_days: Sequence[int], *, visit_price: float
) -> FloatArray:
    """
    What deciding on a later day, instead of now, would save at most. Shape as until_days. [currency]

    On that day more is known. In the scenarios in which the element lasts, its change may go with a service
    that comes before its limit, or wait for the limit itself. This is what knowing the day of the limit would
    save.

    until_days : when it is decided, shape (days,). service_days : of its machine. visit_price : of a stop
    with its trip.
    """
    due, until = scenarios(wear)[None, :], np.asarray(until_days, dtype=np.float64)[:, None]
    services = np.array(service_days, dtype=np.float64)[:, None]
    now = visit_price + _hours_and_fuel(wear, until, due, visit_price)
    at_service = np.where(services <= due, _hours_and_fuel(wear, services, due, visit_price), np.inf)
    comes_then = (until < services.T)[:, :, None]
    best = np.where(comes_then, at_service[None], np.inf).min(axis=1, initial=np.inf)
    saved = now - np.minimum(best, visit_price + _fuel(wear, due, due))
    gained = np.where(due > until, np.maximum(0.0, saved), 0.0)
    return np.asarray(gained.mean(axis=1))


def _hours_and_fuel(wear: Wear, at: FloatArray, due: FloatArray, visit_price: float) -> FloatArray:
    """Hours lost and extra fuel of a change before the limit, in each scenario. [currency]"""
    lost_h = wear.hours_per_day * np.maximum(0.0, due - at)
    return lost_h * _hour_value(wear, due, visit_price) + _fuel(wear, np.minimum(at, due), due)


def _hour_value(wear: Wear, due: FloatArray, visit_price: float) -> FloatArray:
    """What an operating hour of the element is worth, in each scenario. [currency]"""
    life_h = np.maximum(wear.life_hours + wear.hours_per_day * due, 1.0)
    mean_fuel = wear.fuel_at_limit / 3  # of a life: a rise from 0 with the square of time
    return (wear.element_price + visit_price) / life_h + mean_fuel


def no_costs(days: int) -> DayCosts:
    """Of an element whose figures say nothing of its dates."""
    none = np.zeros(days)
    return DayCosts(chance=none, hours_lost=none, element=none, fuel=none, over=none)


def scenarios(wear: Wear) -> FloatArray:
    """Equally likely days at which the limit is reached, rising, shape (SCENARIOS,)."""
    shares = (np.arange(SCENARIOS) + 0.5) / SCENARIOS
    return np.zeros(SCENARIOS) if wear.is_over else _days_of_shares(wear.due, shares)


def chance_by(wear: Wear, after_days: FloatArray) -> FloatArray:
    """Chance that the limit is reached before so many days from now, 0 to 1."""
    if wear.is_over:
        return np.ones(len(after_days))
    days = _known_days(wear.risk or wear.due)
    beyond = KNOWN_SHARES[-1] + SHARE_OF_LAST_LINE * (after_days - days[3]) / (days[3] - days[2])
    inside = np.interp(after_days, days, KNOWN_SHARES)
    return np.where(after_days >= days[3], np.minimum(MOST_CHANCE, beyond), inside)


def last_allowed(wear: Wear, chance_allowed: float) -> float:
    """The day from now until which the chance stays within what is allowed; 0 where it is over already."""
    if wear.is_over:
        return 0.0
    if wear.risk is not None:  # what it may have come to unseen is no delay of the plan
        return max(0.0, day_of_share(wear.risk, chance_allowed))
    return day_of_share(wear.due, chance_allowed)


def day_of_share(due: DueDays, share: float) -> float:
    """
    The day until which the chance of being at the limit stays within a share, 0 to 1.

    `_days_of_shares` of one share without an array, to the last bit: lists ask for it once a machine.
    """
    days, last = [], due.now
    for place, day in enumerate((due.now, due.early, due.likely, due.late)):
        last = max(last, day)
        days.append(last + place * LEAST_APART_DAYS)
    if share > KNOWN_SHARES[-1]:
        return days[3] + (share - KNOWN_SHARES[-1]) / SHARE_OF_LAST_LINE * (days[3] - days[2])
    for place, (below, above) in enumerate(pairwise(KNOWN_SHARES)):
        if share < above:
            slope = (days[place + 1] - days[place]) / (above - below)
            return slope * (max(share, below) - below) + days[place]
    return days[3]


def _days_of_shares(due: DueDays, shares: FloatArray) -> FloatArray:
    days = _known_days(due)
    beyond = days[3] + (shares - KNOWN_SHARES[-1]) / SHARE_OF_LAST_LINE * (days[3] - days[2])
    return np.where(shares > KNOWN_SHARES[-1], beyond, np.interp(shares, KNOWN_SHARES, days))


def _known_days(due: DueDays) -> FloatArray:
    """The days of KNOWN_SHARES, rising; a date that has passed counts as now."""
    days = np.maximum.accumulate([due.now, due.early, due.likely, due.late])
    return np.asarray(days + np.arange(len(days)) * LEAST_APART_DAYS)


def _fuel(wear: Wear, at: FloatArray, due: FloatArray) -> FloatArray:
    """Extra fuel until the change, in each scenario. [currency]"""
    due = np.maximum(due, 0.0)  # what is burnt before the first day is burnt by every plan
    until = np.minimum(at, due)
    rise = wear.fuel_at_limit - wear.fuel_now
    rising = wear.fuel_now * until + rise * until**3 / (3.0 * np.maximum(due, LEAST_APART_DAYS) ** 2)
    return wear.hours_per_day * (rising + wear.fuel_at_limit * np.maximum(0.0, at - due))
