"""
What a plan of visits is made from, and which days it allows.

Days are numbers: 0 is the first day of the plan. A change is made at the beginning of its day.
Promises: pure; a problem is hashable, and equal problems have equal plans.
Leaves to others: where the figures come from (`ingest.api.routes.visit_plan`), the choice (`visit_plan`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any

import numpy as np

from cleanside.ingest.errors import Refused
from cleanside.ingest.planning.day_costs import (
    DayCosts,
    Wear,
    day_costs,
    gain_of_waiting,
    last_allowed,
    no_costs,
)
from cleanside.ingest.planning.grouping import FloatArray, JobDays, PartLimit, Shared

#: within these days a planned visit has been arranged with people; one further ahead moves for a share of the
#: price. With the whole price each day stays bound to what was known weeks before (tried: 1 to 2 % dearer)
NOTICE_DAYS = 7
FAR_MOVE_SHARE = 0.1
CLOSE = 1e-9


@dataclass(frozen=True, kw_only=True)
class VisitTerms:
    """The shop's prices in one currency, and its rules."""

    stop_price: float  # a machine stands for a change
    over_price: float  # a day past the limit
    move_price: float  # a visit that was planned goes to another day
    chance_allowed: float  # that the limit is reached before the visit, 0 to 1
    change_hours: float  # of people, for a change


@dataclass(frozen=True, kw_only=True)
class SiteTrip:
    """The way to a site and back."""

    site: str
    price: float
    hours: float  # of people
    km: float
    free_days: frozenset[int] = frozenset()  # somebody goes there anyway, for services of other machines


@dataclass(frozen=True, kw_only=True)
class PartSupply:
    """Pieces in stock, and when others can be there."""

    part: str
    pieces: int
    there_day: int  # number of the day from which a piece that is ordered now can be there


@dataclass(frozen=True, kw_only=True)
class ElementAhead:
    """A housing whose element is to be changed some day. Days are None where there is none."""

    machine: str
    housing: str
    site: str  # "": none is entered
    wear: Wear | None  # None: its figures contradict each other; somebody looks first
    part: str | None
    service_days: frozenset[int] = frozenset()  # of its machine, with which it may be changed
    early_days: frozenset[int] = frozenset()  # of a service that comes too early for the change
    planned_day: int | None = None  # a person planned it for then
    fixed_day: int | None = None  # it is to be that day and no other
    calendar_day: int | None = None  # the last day that its age allows
    laid_up: frozenset[int] = frozenset()  # days on which its machine cannot be visited

    @property
    def name(self) -> tuple[str, str]:
        """Machine and housing."""
        return self.machine, self.housing


@dataclass(frozen=True, kw_only=True)
class VisitProblem:
    """All that a plan depends on. capacity_h : hours of people on each day; 0: no person works."""

    first_on: date  # the day with number 0
    terms: VisitTerms
    capacity_h: tuple[float, ...]
    elements: tuple[ElementAhead, ...]
    trips: tuple[SiteTrip, ...]  # one for each site of an element
    supplies: tuple[PartSupply, ...] = ()

    @property
    def days(self) -> int:
        """How many days the plan has; the number that stands for later."""
        return len(self.capacity_h)

    def on(self, day: int) -> date:
        """The calendar day of a number."""
        return self.first_on + timedelta(days=day)

    @cached_property
    def calendar(self) -> tuple[date, ...]:
        """The days of the plan: a page says each of them many times."""
        return tuple(self.on(day) for day in range(self.days))

    @cached_property
    def written_calendar(self) -> tuple[str, ...]:
        """The same, ISO 8601."""
        return tuple(day.isoformat() for day in self.calendar)


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What the days of the plan mean for one element; arrays of shape (days + 1,), the last one later."""

    element: ElementAhead
    costs: DayCosts
    stop: FloatArray  # [currency]
    moved: FloatArray  # [currency]
    can_visit: np.ndarray[tuple[int], np.dtype[np.bool_]]  # somebody works, and the machine can be had
    in_time: np.ndarray[tuple[int], np.dtype[np.bool_]]  # the chance is allowed, and its age
    later_day: float  # when a change after the plan would be
    gain: FloatArray  # of waiting until then, because more is known; not beyond the last day [currency]
    is_with_service_later: bool

    @property
    def deadline(self) -> int:
        """The last day in time; the first day that is possible, where none is in time; days: later."""
        fit = np.flatnonzero(self.in_time & self.can_visit)
        return int(fit[-1]) if len(fit) else int(np.flatnonzero(self.can_visit)[0])

    @property
    def is_fixed_late(self) -> bool:
        """A person chose a day after the last one in time, and there is one in time."""
        fixed = self.element.fixed_day
        return fixed is not None and fixed > self.deadline and not self.was_late_from_the_start

    @property
    def was_late_from_the_start(self) -> bool:
        """No day is in time, however few others there are."""
        return not (self.in_time & self.can_visit).any()


class NoVisitPlan(Refused):
    """There is no plan as it was asked for (409 `no_visit_plan`); the case says why."""

    def __init__(self, case: str, /, **values: Any) -> None:
        super().__init__(case, status=409, code="no_visit_plan", **values)


def require_possible(problem: VisitProblem) -> None:
    """Raise NoVisitPlan for a problem without an answer that can be seen beforehand."""
    most_h = max(problem.capacity_h, default=0.0)
    if most_h <= 0:
        raise NoVisitPlan("plan_without_working_day", days=problem.days)
    for trip in problem.trips:
        need_h = trip.hours + problem.terms.change_hours
        if need_h > most_h + CLOSE:
            values = {"site": trip.site or "-", "need_h": need_h, "most_h": most_h}
            raise NoVisitPlan("plan_visit_longer_than_day", **values)


def outlook_of(problem: VisitProblem, element: ElementAhead) -> Outlook:
    """What each day means for an element. Raises NoVisitPlan for a day fixed where it cannot be."""
    terms, days = problem.terms, problem.days
    later_day = _later_day(problem, element)
    at = np.append(np.arange(days, dtype=np.float64), later_day)
    costs = no_costs(days + 1)
    if element.wear is not None:
        trip_price = _trip_of(problem, element.site).price
        costs = day_costs(
            element.wear,
            at,
            over_price=terms.over_price,
            trip_price=trip_price,
            visit_price=terms.stop_price + trip_price,
        )
    with_service_later = any(days <= day <= later_day for day in element.service_days)
    stop = np.full(days + 1, terms.stop_price)
    stop[[day for day in element.service_days if day < days]] = 0.0
    if with_service_later:
        stop[days] = 0.0
    found = Outlook(
        element=element,
        costs=costs,
        stop=stop,
        moved=_moved(problem, element),
        can_visit=_can_visit(problem, element),
        in_time=_in_time(problem, element, costs),
        later_day=later_day,
        gain=np.zeros(days + 1),
        is_with_service_later=with_service_later,
    )
    _require_fixed_possible(problem, found)
    return replace(found, gain=_gain(problem, found))


def job_days(
    problem: VisitProblem, outlooks: list[Outlook], deadlines: Mapping[int, int], *, is_free: bool = False
) -> JobDays:
    """
    The problem as jobs and days.

    deadlines : row -> the last day of an element that cannot be visited in time. is_free : as if no day had
    been fixed.
    """
    rows = [_cost_row(problem, o, deadlines.get(i), is_free=is_free) for i, o in enumerate(outlooks)]
    cost = np.array(rows)
    return JobDays(
        cost=cost.reshape(len(outlooks), problem.days + 1),
        hours=np.full(len(outlooks), problem.terms.change_hours),
        capacity_h=np.array(problem.capacity_h),
        shared=[*_trips(problem, outlooks), *_stops(problem, outlooks)],
        limits=_part_limits(problem, outlooks),
    )


def free_days(problem: VisitProblem, trip: SiteTrip) -> frozenset[int]:
    """Days on which somebody goes to a site anyway, for the service of a machine."""
    here = [element for element in problem.elements if element.site == trip.site]
    return trip.free_days.union(*(element.service_days | element.early_days for element in here))


# ---------------------------------------------------------------- one element


def _later_day(problem: VisitProblem, element: ElementAhead) -> float:
    """When it would be changed after the plan: as late as is allowed, with a service where one comes."""
    if element.wear is None:
        return float(problem.days)
    latest = last_allowed(element.wear, problem.terms.chance_allowed)
    if element.calendar_day is not None:
        latest = min(latest, float(element.calendar_day))
    return max(latest, float(problem.days))


def _gain(problem: VisitProblem, outlook: Outlook) -> FloatArray:
    """
    The plan is made again each day, and the forecast narrows: all is known on the last day in time, nothing
    more today, and in between in proportion (chosen).
    """
    element, last, gain = outlook.element, outlook.deadline, np.zeros(problem.days + 1)
    if element.wear is None or outlook.was_late_from_the_start:
        return gain
    visit_price = problem.terms.stop_price + _trip_of(problem, element.site).price
    at = np.append(np.arange(1.0, problem.days), outlook.later_day)[:last]
    most = gain_of_waiting(element.wear, at, sorted(element.service_days), visit_price=visit_price)
    gain[1 : last + 1] = most * at / max(at, default=1.0)
    return gain


def _moved(problem: VisitProblem, element: ElementAhead) -> FloatArray:
    if element.planned_day is None:
        return np.zeros(problem.days + 1)
    is_near = element.planned_day < NOTICE_DAYS
    price = problem.terms.move_price * (1.0 if is_near else FAR_MOVE_SHARE)
    moved = np.full(problem.days + 1, price)
    moved[min(element.planned_day, problem.days)] = 0.0
    return moved


def _can_visit(problem: VisitProblem, element: ElementAhead) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    can = np.append(np.array(problem.capacity_h) > 0, True)
    meant = {element.planned_day, element.fixed_day}  # by a person
    closed = element.laid_up | {day for day in element.early_days if day not in meant}
    can[[day for day in closed if day < problem.days]] = False
    return can


def _in_time(
    problem: VisitProblem, element: ElementAhead, costs: DayCosts
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    days = problem.days
    if element.wear is None:
        return np.zeros(days + 1, dtype=np.bool_)
    fit = costs.chance <= problem.terms.chance_allowed + CLOSE
    if element.wear.risk is not None and not element.wear.is_over:
        fit[0] = True  # as `last_allowed` says
    at = np.append(np.arange(days, dtype=np.float64), days)
    fit[days] = last_allowed(element.wear, problem.terms.chance_allowed) >= days
    if element.calendar_day is not None:
        fit &= at <= element.calendar_day
    return np.asarray(fit)


def _require_fixed_possible(problem: VisitProblem, outlook: Outlook) -> None:
    day = outlook.element.fixed_day
    if day is None:
        return
    if not 0 <= day < problem.days or not outlook.can_visit[day]:
        raise NoVisitPlan("plan_fixed_on_free_day", machine=outlook.element.machine, day=problem.on(day))


def too_late(problem: VisitProblem, outlook: Outlook) -> NoVisitPlan:
    """Why an element is not visited on a day after the last one in time."""
    assert outlook.element.fixed_day is not None
    day, last_day = problem.on(outlook.element.fixed_day), problem.on(outlook.deadline)
    return NoVisitPlan("plan_fixed_too_late", machine=outlook.element.machine, day=day, last_day=last_day)


def _cost_row(problem: VisitProblem, outlook: Outlook, deadline: int | None, *, is_free: bool) -> FloatArray:
    element, days = outlook.element, problem.days
    cost = outlook.costs.all + outlook.moved
    if _is_only_stop(problem, element):
        cost = cost + outlook.stop
    else:
        cost[days] += outlook.stop[days]
    if not outlook.is_with_service_later:
        cost[days] += _trip_of(problem, element.site).price
    cost -= outlook.gain
    last = outlook.deadline if deadline is None else deadline
    allowed = outlook.can_visit & (np.arange(days + 1) <= last)
    if element.fixed_day is not None and not is_free:
        allowed &= np.arange(days + 1) == element.fixed_day
    return np.where(allowed, cost, np.inf)


# ---------------------------------------------------------------- what elements share


def _trip_of(problem: VisitProblem, site: str) -> SiteTrip:
    return next(trip for trip in problem.trips if trip.site == site)


def _is_only_stop(problem: VisitProblem, element: ElementAhead) -> bool:
    """True where its machine has no other element in the plan to share a stop with."""
    return sum(other.machine == element.machine for other in problem.elements) == 1


def _trips(problem: VisitProblem, outlooks: list[Outlook]) -> list[Shared]:
    found = []
    for trip in problem.trips:
        members = tuple(i for i, o in enumerate(outlooks) if o.element.site == trip.site)
        free = free_days(problem, trip)
        is_paid = np.array([day not in free for day in range(problem.days)], dtype=np.float64)
        if members:
            found.append(Shared(members=members, price=trip.price * is_paid, hours=trip.hours * is_paid))
    return found


def _stops(problem: VisitProblem, outlooks: list[Outlook]) -> list[Shared]:
    """Of machines with several elements: they stand once for all that are changed that day."""
    of_machine: dict[str, list[int]] = {}
    for i, outlook in enumerate(outlooks):
        of_machine.setdefault(outlook.element.machine, []).append(i)
    none = np.zeros(problem.days)
    return [
        Shared(members=tuple(rows), price=outlooks[rows[0]].stop[: problem.days], hours=none)
        for rows in of_machine.values()
        if len(rows) > 1
    ]


def _part_limits(problem: VisitProblem, outlooks: list[Outlook]) -> list[PartLimit]:
    found = []
    for supply in problem.supplies:
        rows = [i for i, o in enumerate(outlooks) if o.element.part == supply.part and o.element.wear]
        before = min(supply.there_day, problem.days)
        if len(rows) > supply.pieces and before > 0:
            found.append(PartLimit(members=tuple(rows), before=before, pieces=supply.pieces))
    return found
