"""
Which job on which day at least cost, where the jobs of a day share a trip: a mixed-integer programme.

    choose for each job one day, or later
    least   sum of each job's cost on its day + price of everything shared that a day needs
    such that   hours of jobs and shared things of a day <= hours that people have on it
                jobs that need a part before it can arrive <= pieces in stock

Promises: pure and deterministic. Equal input gives the same answer on the same version of the solver: it
stops at a gap or after a number of nodes, which do not depend on how fast the machine is. `MOST_S` is a last
resort; an answer that it cut off says so.
Where jobs share days only through trips of one site, without hours and parts, this is the lot-sizing problem
of Wagner and Whitin (Management Science 5, 1958): the tests solve its published example.
Leaves to others: what a day costs (`day_costs`), which days are possible (`visit_plan`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

GAP = 0.005  # relative; chosen: below what prices are known to, and 300 machines take a second to reach it
MOST_NODES = 2_000  # of the search tree; chosen: small cases never come near it
MOST_S = 20.0  # a last resort on a machine that is very slow
ROUNDING = 1e-9  # of hours: sums of decimals


@dataclass(frozen=True, kw_only=True)
class Shared:
    """What jobs share on a day: the trip to a site, the stop of a machine."""

    members: tuple[int, ...]  # rows of `JobDays.cost`
    price: FloatArray  # of a day on which a member is done, shape (days,)
    hours: FloatArray  # of people, on such a day, shape (days,)


@dataclass(frozen=True, kw_only=True)
class PartLimit:
    """Jobs that need the same part: before a day not more than there are pieces."""

    members: tuple[int, ...]
    before: int  # index of a day; from it on more can be there
    pieces: int


@dataclass(frozen=True, kw_only=True)
class JobDays:
    """
    What each job costs on each day.

    cost : shape (jobs, days + 1); inf: not possible on that day. The last column: later than all days.
    hours : of people for each job, shape (jobs,). capacity_h : of each day, shape (days,).
    """

    cost: FloatArray
    hours: FloatArray
    capacity_h: FloatArray
    shared: Sequence[Shared] = ()
    limits: Sequence[PartLimit] = ()

    @property
    def later(self) -> int:
        """The number that stands for later than all days."""
        return len(self.capacity_h)


@dataclass(frozen=True, kw_only=True)
class Choice:
    """A day for each job."""

    day: IntArray  # shape (jobs,); `JobDays.later`: later
    cost: float
    bound: float  # no choice costs less
    was_cut_off: bool  # by nodes or time, before the gap was reached


class NoChoice(Exception):
    """No choice of days keeps all conditions (`is_proven`), or none was found in time."""

    def __init__(self, *, is_proven: bool) -> None:
        super().__init__("no days keep all conditions" if is_proven else "no days found in time")
        self.is_proven = is_proven


def total_cost(jobs: JobDays, day: IntArray) -> float:
    """What a choice of days costs. inf: a job is not possible on its day."""
    own = float(jobs.cost[np.arange(len(day)), day].sum())
    return own + sum(_price_of(shared, day, jobs.later) for shared in jobs.shared)


def breaks(jobs: JobDays, day: IntArray) -> bool:
    """True where a choice needs more hours than a day has, or a part before it can be there."""
    too_long = (_used_h(jobs, day) > jobs.capacity_h + ROUNDING).any()
    return bool(too_long) or any(_pieces_used(limit, day) > limit.pieces for limit in jobs.limits)


def cheapest_days(jobs: JobDays, *, gap: float = GAP) -> Choice:
    """
    The choice of least cost, to a relative gap.

    Raises NoChoice.
    """
    if not len(jobs.cost):
        return Choice(day=np.zeros(0, dtype=np.int64), cost=0.0, bound=0.0, was_cut_off=False)
    if not np.isfinite(jobs.cost).any(axis=1).all():
        raise NoChoice(is_proven=True)
    model = _Model(jobs)
    found = milp(
        model.prices,
        integrality=np.ones(len(model.prices), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=model.conditions,
        options={"mip_rel_gap": gap, "node_limit": MOST_NODES, "time_limit": MOST_S},
    )
    if found.x is None:
        raise NoChoice(is_proven=found.status == 2)
    day = model.days_of(found.x)
    cost = total_cost(jobs, day)
    least = float(jobs.cost.min(axis=1).sum())
    bound = max(least, float(found.mip_dual_bound))
    return Choice(day=day, cost=cost, bound=min(bound, cost), was_cut_off=found.status != 0)


def moving_costs(jobs: JobDays, day: IntArray) -> FloatArray:
    """
    What it costs more to do each job alone on another day, all others staying. Shape (jobs, days + 1).

    inf: not possible; too few hours or pieces on that day count as not possible.
    """
    uses = np.array([_uses(shared, day, jobs.later) for shared in jobs.shared])
    left_h = jobs.capacity_h - _used_h(jobs, day)
    return np.array([_moving(jobs, day, uses, left_h, job) for job in range(len(day))])


def _moving(jobs: JobDays, day: IntArray, uses: IntArray, left_h: FloatArray, job: int) -> FloatArray:
    now, later = int(day[job]), jobs.later
    more = jobs.cost[job] - jobs.cost[job, now]
    need_h = np.full(later, jobs.hours[job])
    for o, shared in enumerate(jobs.shared):
        if job in shared.members:
            is_new = uses[o] == 0
            more[:later] += np.where(is_new, shared.price, 0.0)
            more -= shared.price[now] if now < later and uses[o, now] == 1 else 0.0
            need_h += np.where(is_new, shared.hours, 0.0)
    more[:later][need_h > left_h + ROUNDING] = np.inf
    for limit in jobs.limits:
        if job in limit.members and now >= limit.before and _pieces_used(limit, day) >= limit.pieces:
            more[: limit.before] = np.inf
    more[now] = 0.0
    return np.asarray(more)


def _used_h(jobs: JobDays, day: IntArray) -> FloatArray:
    """Hours of people that a choice of days takes on each day, shape (days,)."""
    used_h = np.bincount(day, jobs.hours, minlength=jobs.later + 1)[: jobs.later]
    for shared in jobs.shared:
        used_h += np.where(_uses(shared, day, jobs.later) > 0, shared.hours, 0.0)
    return np.asarray(used_h)


def _uses(shared: Shared, day: IntArray, later: int) -> IntArray:
    """How many members are done on each day, shape (days,)."""
    return np.bincount(day[list(shared.members)], minlength=later + 1)[:later]


def _price_of(shared: Shared, day: IntArray, later: int) -> float:
    return float(shared.price[_uses(shared, day, later) > 0].sum())


def _pieces_used(limit: PartLimit, day: IntArray) -> int:
    return int((day[list(limit.members)] < limit.before).sum())


class _Model:
    """The programme in the solver's form: one variable for a job on a day, one for something shared on it."""

    def __init__(self, jobs: JobDays) -> None:
        self._jobs = jobs
        self._job, self._day = np.nonzero(np.isfinite(jobs.cost))
        pairs = zip(self._job.tolist(), self._day.tolist(), strict=True)
        self._place = {pair: i for i, pair in enumerate(pairs)}
        own = jobs.cost[self._job, self._day]
        self._shared_places = self._places_of_shared(len(own))
        shared = [jobs.shared[o].price[on] for o, on in self._shared_places]
        self.prices = np.concatenate((own, np.array(shared, dtype=np.float64)))
        self.conditions = self._conditions()

    def days_of(self, x: FloatArray) -> IntArray:
        """The day of each job in the solver's answer, which is whole numbers to a millionth."""
        chosen = np.zeros(self._jobs.cost.shape)
        chosen[self._job, self._day] = x[: len(self._job)]
        return np.asarray(chosen.argmax(axis=1), dtype=np.int64)

    def _places_of_shared(self, first: int) -> dict[tuple[int, int], int]:
        """(number of something shared, day) -> its variable, where it costs anything."""
        wanted = [
            (o, on)
            for o, shared in enumerate(self._jobs.shared)
            for on in np.flatnonzero((shared.price > 0) | (shared.hours > 0)).tolist()
            if any((job, on) in self._place for job in shared.members)
        ]
        return {pair: first + i for i, pair in enumerate(wanted)}

    def _conditions(self) -> list[LinearConstraint]:
        jobs, rows = self._jobs, _Rows()
        for job in range(len(jobs.cost)):
            mine = np.flatnonzero(self._job == job).tolist()
            rows.add([(place, 1.0) for place in mine], 1.0, 1.0)
        for (o, on), place in self._shared_places.items():
            for job in jobs.shared[o].members:
                if (job, on) in self._place:
                    rows.add([(self._place[job, on], 1.0), (place, -1.0)], -np.inf, 0.0)
        for on, capacity_h in enumerate(jobs.capacity_h.tolist()):
            rows.add(self._hours_on(on), -np.inf, capacity_h)
        for limit in jobs.limits:
            need = [
                (self._place[job, on], 1.0)
                for job in limit.members
                for on in range(limit.before)
                if (job, on) in self._place
            ]
            rows.add(need, -np.inf, float(limit.pieces))
        return [rows.constraint(len(self.prices))]

    def _hours_on(self, on: int) -> list[tuple[int, float]]:
        hours = self._jobs.hours
        own = [(i, float(hours[self._job[i]])) for i in np.flatnonzero(self._day == on).tolist()]
        shared = {i: o for (o, at), i in self._shared_places.items() if at == on}
        return [*own, *((i, float(self._jobs.shared[o].hours[on])) for i, o in shared.items())]


class _Rows:
    """Conditions, row by row, as a sparse matrix."""

    def __init__(self) -> None:
        self._entries: list[tuple[int, int, float]] = []
        self._low: list[float] = []
        self._high: list[float] = []

    def add(self, terms: list[tuple[int, float]], low: float, high: float) -> None:
        """low <= sum of factor times variable <= high."""
        self._entries += [(len(self._low), place, factor) for place, factor in terms]
        self._low.append(low)
        self._high.append(high)

    def constraint(self, variables: int) -> Any:
        """All rows as the solver takes them."""
        row, column, factor = zip(*self._entries, strict=True)
        shape = (len(self._low), variables)
        return LinearConstraint(csr_array((factor, (row, column)), shape=shape), self._low, self._high)
