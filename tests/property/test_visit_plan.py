"""The choice of days against every choice there is, on small cases; costs are written a second time."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from cleanside.ingest.planning.grouping import (
    GAP,
    JobDays,
    NoChoice,
    PartLimit,
    Shared,
    breaks,
    cheapest_days,
    moving_costs,
    total_cost,
)
from cleanside.ingest.planning.visit_plan import make_visit_plan
from cleanside.ingest.planning.visit_problem import NoVisitPlan, PartSupply, VisitProblem
from tests.unit.ingest.planning.test_visit_plan import element, problem

CASES = 200


@st.composite
def small_cases(draw: st.DrawFn) -> JobDays:
    """One to four jobs on one to four days, with trips that overlap or not, hours and parts."""
    jobs, days = draw(st.integers(1, 4)), draw(st.integers(1, 4))
    amounts = st.integers(0, 40).map(float)
    cost = st.lists(
        st.one_of(amounts, amounts, amounts, st.just(np.inf)), min_size=days + 1, max_size=days + 1
    )
    rows = st.sets(st.integers(0, jobs - 1), min_size=1).map(lambda found: tuple(sorted(found)))
    hours = st.sampled_from((0.0, 0.5, 1.0, 1.1, 2.0))
    of_days = st.lists(amounts, min_size=days, max_size=days).map(np.array)
    shared = st.builds(
        lambda members, price, need_h: Shared(members=members, price=price, hours=np.full(days, need_h)),
        rows, of_days, hours,
    )  # fmt: skip
    limits = st.builds(
        lambda members, before, pieces: PartLimit(members=members, before=before, pieces=pieces),
        rows, st.integers(1, days), st.integers(0, jobs),
    )  # fmt: skip
    return JobDays(
        cost=np.array([draw(cost) for _ in range(jobs)]),
        hours=np.array([draw(hours) for _ in range(jobs)]),
        capacity_h=np.array([draw(st.sampled_from((0.0, 1.0, 2.2, 8.0))) for _ in range(days)]),
        shared=draw(st.lists(shared, max_size=3)),
        limits=draw(st.lists(limits, max_size=2)),
    )


def cost_by_hand(jobs: JobDays, choice: tuple[int, ...]) -> float:
    """What a choice costs, job by job and day by day; inf where it breaks a condition."""
    cost = sum(float(jobs.cost[job, day]) for job, day in enumerate(choice))
    for on in range(jobs.later):
        hours = sum(float(jobs.hours[job]) for job, day in enumerate(choice) if day == on)
        for shared in jobs.shared:
            if any(choice[job] == on for job in shared.members):
                cost += float(shared.price[on])
                hours += float(shared.hours[on])
        if hours > jobs.capacity_h[on] + 1e-6:
            return np.inf
    for limit in jobs.limits:
        if sum(choice[job] < limit.before for job in limit.members) > limit.pieces:
            return np.inf
    return cost


def least_by_hand(jobs: JobDays) -> float:
    every = itertools.product(range(jobs.later + 1), repeat=len(jobs.cost))
    return min(cost_by_hand(jobs, choice) for choice in every)


@settings(max_examples=CASES, deadline=None)
@given(jobs=small_cases())
def test_no_other_choice_costs_less(jobs: JobDays) -> None:
    """Hundreds of cases over time: each run makes others up."""
    least = least_by_hand(jobs)
    event("no choice" if np.isinf(least) else "a choice")
    if np.isinf(least):
        with pytest.raises(NoChoice) as none:
            cheapest_days(jobs, gap=0.0)
        assert none.value.is_proven
        return
    found = cheapest_days(jobs, gap=0.0)
    assert found.cost == pytest.approx(least, abs=1e-6)
    assert found.cost == pytest.approx(cost_by_hand(jobs, tuple(found.day.tolist())))
    assert found.bound <= least + 1e-6
    assert not found.was_cut_off


@settings(max_examples=CASES, deadline=None)
@given(jobs=small_cases(), data=st.data())
def test_costs_and_conditions_are_the_ones_written_here(jobs: JobDays, data: st.DataObject) -> None:
    choice = tuple(data.draw(st.integers(0, jobs.later)) for _ in jobs.cost)
    day = np.array(choice, dtype=np.int64)
    by_hand = cost_by_hand(jobs, choice)
    if breaks(jobs, day):
        assert np.isinf(by_hand)
    else:
        assert total_cost(jobs, day) == pytest.approx(by_hand)


@settings(max_examples=CASES, deadline=None)
@given(jobs=small_cases())
def test_a_move_costs_what_the_other_choice_costs_more(jobs: JobDays) -> None:
    try:
        found = cheapest_days(jobs, gap=0.0)
    except NoChoice:
        return
    more = moving_costs(jobs, found.day)
    for job, on in itertools.product(range(len(jobs.cost)), range(jobs.later + 1)):
        moved = found.day.copy()
        moved[job] = on
        by_hand = cost_by_hand(jobs, tuple(moved.tolist())) - found.cost
        assert more[job, on] == pytest.approx(by_hand, abs=1e-6)
        assert more[job, on] >= -1e-6, "else the choice was not the cheapest"


@settings(max_examples=40, deadline=None)
@given(jobs=small_cases())
def test_the_usual_gap_is_kept(jobs: JobDays) -> None:
    least = least_by_hand(jobs)
    if np.isfinite(least):
        assert cheapest_days(jobs).cost - least <= GAP * least + 1e-6


# ---------------------------------------------------------------- whole plans


@st.composite
def problems(draw: st.DrawFn) -> VisitProblem:
    """One to five elements at up to two sites, with few people and pieces now and then."""
    days = draw(st.integers(3, 10))
    names = draw(st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=5, unique=True))
    early = st.floats(-1.0, 20.0).map(lambda day: round(day, 1))
    elements = [
        element(
            f"grader-{name}",
            draw(st.none() | early),
            site=draw(st.sampled_from(("north", "south"))),
            part=draw(st.none() | st.just("KG")),
            is_over=draw(st.integers(0, 5)) == 0,
            service_days=draw(st.frozensets(st.integers(0, 12), max_size=2)),
            planned_day=draw(st.none() | st.integers(0, 12)),
        )
        for name in names
    ]
    before = [draw(st.sampled_from((0.0, 2.5, 8.0))) for _ in range(days - 1)]
    supply = PartSupply(part="KG", pieces=draw(st.integers(0, 3)), there_day=draw(st.integers(0, 3)))
    return problem(*elements, capacity_h=(*before, 8.0), supplies=(supply,))


@settings(max_examples=100, deadline=None)
@given(asked=problems(), data=st.data())
def test_a_plan_keeps_what_it_promises(asked: VisitProblem, data: st.DataObject) -> None:
    """Limits, people and parts; every element once; equal input in any order, equal plan."""
    try:
        plan = make_visit_plan(asked)
    except NoVisitPlan as none:
        event(none.case)
        return
    names = [v.element.name for v in plan.visits] + [o.element.name for o in plan.later]
    assert sorted(names) == sorted(e.name for e in asked.elements)
    for visit in plan.visits:
        is_said = {"late", "at_once", "look_first"} & set(visit.reasons)
        assert is_said or visit.chance <= asked.terms.chance_allowed + 1e-9
        assert asked.capacity_h[visit.day] > 0
    for day, capacity_h in enumerate(asked.capacity_h):
        assert sum(trip.hours for trip in plan.trips if trip.day == day) <= capacity_h + 1e-6
    [supply] = asked.supplies
    early = [v for v in plan.visits if v.element.part and v.element.wear and v.day < supply.there_day]
    assert len(early) <= supply.pieces
    assert plan.bound <= plan.cost.all + 1e-6
    shuffled = data.draw(st.permutations(asked.elements))
    assert make_visit_plan(replace(asked, elements=tuple(shuffled))) == plan
