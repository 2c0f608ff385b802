"""
A plan of visits: which machine on which day, what it costs and why.

Promises: pure and deterministic; `GAP` of the least cost (`grouping`). No visit is planned for a day on which
the chance of being at the limit is above what the shop allows, or the element too old, as long as people and
parts suffice. Where they do not, the plan is late by as few days as possible, and says for which machines.
Leaves to others: prices and dates (`ingest.api.routes.visit_plan`), what to order by when
(`ingest.shop.stock`), words (the console).

A plan is advice: the manual of the machine and its limits come first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from cleanside.ingest.planning.grouping import (
    GAP,
    Choice,
    FloatArray,
    IntArray,
    JobDays,
    NoChoice,
    cheapest_days,
    moving_costs,
    total_cost,
)
from cleanside.ingest.planning.visit_problem import (
    ElementAhead,
    NoVisitPlan,
    Outlook,
    SiteTrip,
    VisitProblem,
    free_days,
    job_days,
    outlook_of,
    require_possible,
    too_late,
)

NEXT_DAYS = 7  # a late visit can be moved by hand to the days after its own, so far; chosen

#: why a visit is on its day, the strongest first
VisitReason = Literal[
    "fixed",
    "look_first",
    "late",
    "at_once",
    "with_service",
    "together",
    "last_day",
    "as_planned",
    "cheapest_day",
    "no_room",
]


#: what a late visit waits for
WaitsFor = Literal["part", "people"]


@dataclass(frozen=True, kw_only=True)
class DayMove:
    """What another day for a visit costs, all others staying."""

    day: int  # `VisitProblem.days`: later
    more_cost: float  # [currency]; below 0: it saves that, within the gap of the plan
    chance: float  # that the limit is reached before, 0 to 1


@dataclass(frozen=True, kw_only=True)
class PlannedVisit:
    """An element that is changed, or looked at, on a day of the plan."""

    element: ElementAhead
    day: int
    reasons: tuple[VisitReason, ...]
    chance: float  # that the limit is reached before, 0 to 1
    hours_lost: float  # operating hours that the element would have lasted, expected
    element_cost: float  # [currency]
    fuel_cost: float
    over_cost: float
    stop_cost: float
    move_cost: float
    waiting_gain: float  # more is known by then, and the plan is made again
    together_with: tuple[tuple[str, str], ...]  # others of the same trip
    alone_day: int  # cheapest if nothing were shared; `VisitProblem.days`: later
    hours_given: float  # operating hours lost against that day, for the sake of the trip
    last_day: int  # the last one in time; `VisitProblem.days`: later
    waits_for: WaitsFor | None  # None: it is not late
    part_day: int | None  # from then on its part can be there, where it waits for that
    moves: tuple[DayMove, ...]


@dataclass(frozen=True, kw_only=True)
class VisitTrip:
    """A way to a site and back."""

    day: int
    site: str
    price: float
    km: float
    hours: float  # of people, driving and changing
    is_for_service: bool  # somebody goes there anyway
    names: tuple[tuple[str, str], ...]  # machine and housing


@dataclass(frozen=True, kw_only=True)
class LaterElement:
    """An element that need not be changed within the plan."""

    element: ElementAhead
    last_day: int
    cost: float  # expected, with a trip of its own [currency]


@dataclass(frozen=True, kw_only=True)
class PlanCost:
    """Expected costs of a plan. [currency]"""

    element: float
    fuel: float
    over: float
    stop: float
    travel: float
    moved: float
    waiting: float  # below 0: what deciding nearer the day saves, because more is known then
    later: float  # of elements that are changed after the plan

    @property
    def all(self) -> float:
        """Sum of all."""
        at_visits = self.element + self.fuel + self.over + self.stop + self.moved + self.waiting
        return at_visits + self.travel + self.later


@dataclass(frozen=True, kw_only=True)
class VisitPlan:
    """The plan. Visits by day, site and name."""

    visits: tuple[PlannedVisit, ...]
    trips: tuple[VisitTrip, ...]
    later: tuple[LaterElement, ...]
    cost: PlanCost
    bound: float  # no plan costs less [currency]
    alone_cost: float  # each element on its own cheapest day, trips shared by chance alone [currency]
    was_cut_off: bool  # before the gap was reached

    @property
    def late(self) -> tuple[PlannedVisit, ...]:
        """The visits for which people or parts do not suffice."""
        return tuple(visit for visit in self.visits if visit.waits_for is not None)

    @property
    def late_days(self) -> int:
        """By how many days they are late, all together."""
        return sum(visit.day - visit.last_day for visit in self.late)

    @property
    def gap(self) -> float:
        """How much of its cost the plan may be above the least one, 0 to 1."""
        return max(0.0, (self.cost.all - self.bound) / self.cost.all) if self.cost.all > 0 else 0.0


def make_visit_plan(problem: VisitProblem, *, gap: float = GAP) -> VisitPlan:
    """
    The plan of least expected cost.

    gap : relative, of what can be chosen; 0: the least cost itself.
    Raises NoVisitPlan where there is none; its case says why.
    """
    require_possible(problem)
    elements = sorted(problem.elements, key=lambda element: element.name)
    outlooks = [outlook_of(problem, element) for element in elements]
    _require_late_anyway(problem, outlooks, gap)
    choice, deadlines = _solve(problem, outlooks, gap)
    jobs = job_days(problem, outlooks, deadlines, is_free=True)  # what other days would cost
    moves = moving_costs(_with_later_days(problem, outlooks, deadlines, choice.day), choice.day)
    is_later = choice.day == problem.days
    visits = [
        _visit(jobs, choice.day, moves, outlooks, row, is_late=row in deadlines)
        for row in np.flatnonzero(~is_later).tolist()
    ]
    later = [_later(outlooks[row], float(jobs.cost[row, -1])) for row in np.flatnonzero(is_later).tolist()]
    trips = _trips_of(problem, choice.day, elements)
    cost = _cost_of(visits, trips, sum(element.cost for element in later))
    alone = np.array([_alone(jobs, outlooks[row], row) for row in range(len(elements))], dtype=np.int64)
    return VisitPlan(
        visits=tuple(sorted(visits, key=lambda v: (v.day, v.element.site, v.element.name))),
        trips=trips,
        later=tuple(later),
        cost=cost,
        bound=min(choice.bound, cost.all),
        alone_cost=total_cost(jobs, alone),
        was_cut_off=choice.was_cut_off,
    )


# ---------------------------------------------------------------- the choice


def _solve(problem: VisitProblem, outlooks: list[Outlook], gap: float) -> tuple[Choice, Mapping[int, int]]:
    """The choice of days, and the rows that cannot be in time with their new last day."""
    try:
        return cheapest_days(job_days(problem, outlooks, {}), gap=gap), {}
    except NoChoice as none:
        _require_proven(none)
    deadlines = _least_late(problem, outlooks)
    try:
        return cheapest_days(job_days(problem, outlooks, deadlines), gap=gap), deadlines
    except NoChoice as none:
        raise _not_found() from none


def _require_late_anyway(problem: VisitProblem, outlooks: list[Outlook], gap: float) -> None:
    """
    A day after the last one in time may be chosen for what cannot be in time anyway, for nothing else.

    Raises NoVisitPlan.
    """
    chosen = [row for row, outlook in enumerate(outlooks) if outlook.is_fixed_late]
    if not chosen:
        return
    free = [
        replace(o, element=replace(o.element, fixed_day=None)) if o.is_fixed_late else o for o in outlooks
    ]
    _, late = _solve(problem, free, gap)
    for row in chosen:
        if row not in late:
            raise too_late(problem, outlooks[row])


def _with_later_days(
    problem: VisitProblem, outlooks: list[Outlook], deadlines: Mapping[int, int], day: IntArray
) -> JobDays:
    """The days to which visits can be moved: what is late anyway has the next days beside its own."""
    late = {row for row, o in enumerate(outlooks) if row in deadlines or o.was_late_from_the_start}
    last = {row: min(int(day[row]) + NEXT_DAYS, problem.days - 1) for row in late if day[row] < problem.days}
    return job_days(problem, outlooks, {**deadlines, **last}, is_free=True)


def _least_late(problem: VisitProblem, outlooks: list[Outlook]) -> dict[int, int]:
    """
    Row -> last day, of the elements that are late where people or parts do not suffice.

    Late by the fewest days in all; a day of one that is likely at its limit counts up to twice.
    """
    jobs = job_days(problem, outlooks, dict.fromkeys(range(len(outlooks)), problem.days))
    days = np.arange(problem.days + 1, dtype=np.float64)
    late = np.array([(1.0 + float(o.costs.chance[0])) * np.maximum(0.0, days - o.deadline) for o in outlooks])
    for i, outlook in enumerate(outlooks):
        late[i, problem.days] = 0.0 if outlook.deadline == problem.days else np.inf
    unpriced = JobDays(
        cost=np.where(np.isfinite(jobs.cost), late, np.inf),
        hours=jobs.hours,
        capacity_h=jobs.capacity_h,
        shared=[replace(shared, price=np.zeros(problem.days)) for shared in jobs.shared],
        limits=jobs.limits,
    )
    try:
        choice = cheapest_days(unpriced, gap=0.0)
    except NoChoice as none:
        _require_proven(none)
        raise _short_of_hours(problem, outlooks) from none
    found = zip(choice.day.tolist(), outlooks, strict=True)
    return {i: day for i, (day, outlook) in enumerate(found) if day > outlook.deadline}


def _require_proven(none: NoChoice) -> None:
    if not none.is_proven:
        raise _not_found() from none


def _not_found() -> NoVisitPlan:
    return NoVisitPlan("plan_not_found_in_time")


def _short_of_hours(problem: VisitProblem, outlooks: list[Outlook]) -> NoVisitPlan:
    must = [outlook for outlook in outlooks if outlook.deadline < problem.days]
    fixed = [o.element.machine for o in outlooks if o.element.fixed_day is not None]
    if fixed:
        return NoVisitPlan("plan_fixed_without_room", machines=", ".join(fixed))
    need_h, people_h = len(must) * problem.terms.change_hours, sum(problem.capacity_h)
    values = {"changes": len(must), "need_h": need_h, "people_h": people_h, "days": problem.days}
    return NoVisitPlan("plan_short_of_people_or_parts", **values)


def _alone(jobs: JobDays, outlook: Outlook, row: int) -> int:
    """The cheapest day of an element if it shared nothing, and no day had been planned."""
    cost = jobs.cost[row] - outlook.moved
    for shared in jobs.shared:
        if row in shared.members:
            cost[: jobs.later] += shared.price
    return int(np.argmin(cost))


# ---------------------------------------------------------------- what the plan says


def _visit(
    jobs: JobDays, day: IntArray, moves: FloatArray, outlooks: list[Outlook], row: int, *, is_late: bool
) -> PlannedVisit:
    outlook, on = outlooks[row], int(day[row])
    costs, element, alone = outlook.costs, outlook.element, _alone(jobs, outlook, row)
    same_trip = [
        o.element.name
        for i, o in enumerate(outlooks)
        if i != row and day[i] == on and o.element.site == element.site
    ]
    part_day = _part_day(jobs, row, on, outlook.deadline) if is_late else None
    shares_stop = [i for i, o in enumerate(outlooks) if o.element.machine == element.machine and day[i] == on]
    return PlannedVisit(
        element=element,
        day=on,
        reasons=_reasons(outlook, on, alone, is_late=is_late, is_shared=bool(same_trip)),
        chance=float(costs.chance[on]),
        hours_lost=float(costs.hours_lost[on]),
        element_cost=float(costs.element[on]),
        fuel_cost=float(costs.fuel[on]),
        over_cost=float(costs.over[on]),
        stop_cost=float(outlook.stop[on]) if shares_stop[0] == row else 0.0,
        move_cost=float(outlook.moved[on]),
        waiting_gain=float(outlook.gain[on]),
        together_with=tuple(same_trip),
        alone_day=alone,
        hours_given=max(0.0, float(costs.hours_lost[on] - costs.hours_lost[alone])) if same_trip else 0.0,
        last_day=outlook.deadline,
        waits_for=("people" if part_day is None else "part") if is_late else None,
        part_day=part_day,
        moves=tuple(
            DayMove(day=to, more_cost=float(moves[row, to]), chance=float(costs.chance[to]))
            for to in np.flatnonzero(np.isfinite(moves[row])).tolist()
            if to != on
        ),
    )


def _part_day(jobs: JobDays, row: int, on: int, last_day: int) -> int | None:
    """The day from which its part can be there, if a late visit waits for that; None: it waits for people."""
    days = [limit.before for limit in jobs.limits if row in limit.members and last_day < limit.before <= on]
    return max(days, default=None)


def _reasons(
    outlook: Outlook, on: int, alone: int, *, is_late: bool, is_shared: bool
) -> tuple[VisitReason, ...]:
    """Every reason that holds, in the order of `VisitReason`."""
    element = outlook.element
    holds: dict[VisitReason, bool] = {
        "fixed": element.fixed_day == on,
        "look_first": element.wear is None,
        "late": is_late,
        "at_once": element.wear is not None and outlook.was_late_from_the_start,
        "with_service": on in element.service_days,
        "together": is_shared,
        "last_day": on == outlook.deadline and not outlook.was_late_from_the_start,
        "as_planned": element.planned_day == on,
        "cheapest_day": on == alone,
    }
    found = tuple(reason for reason, is_so in holds.items() if is_so)
    return found or ("no_room",)


def _trips_of(problem: VisitProblem, day: IntArray, elements: list[ElementAhead]) -> tuple[VisitTrip, ...]:
    found: dict[tuple[int, str], list[tuple[str, str]]] = {}
    for element, on in zip(elements, day.tolist(), strict=True):
        if on < problem.days:
            found.setdefault((on, element.site), []).append(element.name)
    of_site = {trip.site: trip for trip in problem.trips}
    return tuple(_trip(problem, of_site[site], on, names) for (on, site), names in sorted(found.items()))


def _trip(problem: VisitProblem, trip: SiteTrip, on: int, names: list[tuple[str, str]]) -> VisitTrip:
    is_free = on in free_days(problem, trip)
    changing_h = len(names) * problem.terms.change_hours
    return VisitTrip(
        day=on,
        site=trip.site,
        price=0.0 if is_free else trip.price,
        km=0.0 if is_free else trip.km,
        hours=changing_h + (0.0 if is_free else trip.hours),
        is_for_service=is_free,
        names=tuple(names),
    )


def _later(outlook: Outlook, cost: float) -> LaterElement:
    return LaterElement(element=outlook.element, last_day=int(outlook.later_day), cost=cost)


def _cost_of(visits: list[PlannedVisit], trips: tuple[VisitTrip, ...], later: float) -> PlanCost:
    return PlanCost(
        element=sum(visit.element_cost for visit in visits),
        fuel=sum(visit.fuel_cost for visit in visits),
        over=sum(visit.over_cost for visit in visits),
        stop=sum(visit.stop_cost for visit in visits),
        travel=sum(trip.price for trip in trips),
        moved=sum(visit.move_cost for visit in visits),
        waiting=-sum(visit.waiting_gain for visit in visits),
        later=later,
    )
