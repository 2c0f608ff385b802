"""A plan of visits: what it promises about limits, people, parts, planned days and reasons."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from cleanside.ingest.errors import Refused
from cleanside.ingest.planning.day_costs import DueDays, Wear
from cleanside.ingest.planning.visit_plan import PlannedVisit, VisitPlan, make_visit_plan
from cleanside.ingest.planning.visit_problem import (
    ElementAhead,
    PartSupply,
    SiteTrip,
    VisitProblem,
    VisitTerms,
)
from tests.support.coded import refused

MONDAY = date(2026, 11, 30)
WEEK = (8.0, 8.0, 8.0, 8.0, 8.0, 0.0, 0.0)
TERMS = VisitTerms(stop_price=40.0, over_price=5.0, move_price=15.0, chance_allowed=0.1, change_hours=1.0)


def wear(early: float, *, width: float = 6.0, is_over: bool = False) -> Wear:
    due = DueDays(early=early, likely=early + width, late=early + 2 * width)
    return Wear(due=due, is_over=is_over, hours_per_day=10.0, life_hours=800.0, element_price=200.0)


def element(machine: str, early: float | None, **more: Any) -> ElementAhead:
    given = {"housing": "main", "site": "oberkies", "part": None} | more
    is_over = given.pop("is_over", False)
    worn = None if early is None else wear(early, is_over=is_over)
    return ElementAhead(machine=machine, wear=worn, **given)


def problem(*elements: ElementAhead, **more: Any) -> VisitProblem:
    """Six weeks; the way to a site is 90 km and costs 90."""
    given: dict[str, Any] = {"first_on": MONDAY, "terms": TERMS, "capacity_h": WEEK * 6} | more
    sites = sorted({one.site for one in elements})
    trips = tuple(SiteTrip(site=site, price=90.0, hours=1.5, km=90.0) for site in sites)
    return VisitProblem(elements=elements, **({"trips": trips} | given))


def of(plan: VisitPlan, machine: str, housing: str = "main") -> PlannedVisit:
    return next(visit for visit in plan.visits if visit.element.name == (machine, housing))


# ---------------------------------------------------------------- trips


def test_two_machines_of_a_site_share_a_trip_and_the_plan_says_what_that_gives_away() -> None:
    plan = make_visit_plan(problem(element("grader-07", 10.0), element("grader-11", 14.0)))
    first, second = of(plan, "grader-07"), of(plan, "grader-11")
    assert first.day == second.day == 10
    assert [(trip.day, trip.price, trip.km) for trip in plan.trips] == [(10, 90.0, 90.0)]
    assert "last_day" in first.reasons
    assert second.reasons == ("together",)
    assert second.together_with == (("grader-07", "main"),)
    assert second.alone_day == 14
    assert second.hours_given == pytest.approx(36, abs=2), "four days of 10 h, but for one in ten"
    assert plan.cost.all < plan.alone_cost


def test_two_sites_are_two_trips() -> None:
    plan = make_visit_plan(problem(element("grader-07", 10.0), element("grader-11", 14.0, site="unterkies")))
    assert [(trip.day, trip.site) for trip in plan.trips] == [(10, "oberkies"), (14, "unterkies")]
    assert of(plan, "grader-11").reasons == ("last_day", "cheapest_day")


def test_a_change_goes_with_a_service_that_comes_in_time() -> None:
    plan = make_visit_plan(problem(element("grader-07", 12.0, service_days=frozenset({9}))))
    visit = of(plan, "grader-07")
    assert (visit.day, visit.stop_cost, plan.cost.travel) == (9, 0.0, 0.0)
    assert visit.reasons[0] == "with_service"
    assert plan.trips[0].is_for_service


def test_two_elements_of_a_machine_share_its_stop() -> None:
    plan = make_visit_plan(problem(element("genset-2", 10.0), element("genset-2", 11.0, housing="right")))
    assert len(plan.trips) == 1
    assert plan.cost.stop == 40.0


def test_what_need_not_be_done_within_the_plan_is_left_for_later() -> None:
    plan = make_visit_plan(problem(element("grader-07", 300.0)))
    assert plan.visits == ()
    assert [(o.element.machine, o.last_day) for o in plan.later] == [("grader-07", 300)]


# ---------------------------------------------------------------- limits


def test_no_visit_is_planned_beyond_the_chance_that_the_shop_allows() -> None:
    """A day past the limit costs nothing here: the rule is the shop's, not the price's."""
    free = replace(TERMS, over_price=0.0)
    for allowed, last in ((0.1, 10), (0.3, 13), (0.02, 2)):
        terms = replace(free, chance_allowed=allowed)
        visit = of(make_visit_plan(problem(element("grader-07", 10.0), terms=terms)), "grader-07")
        assert visit.chance <= allowed + 1e-9
        assert visit.last_day <= last


def test_nobody_works_on_the_early_date_so_it_is_done_before() -> None:
    """Day 12 is a Saturday."""
    assert of(make_visit_plan(problem(element("grader-07", 12.0))), "grader-07").day == 11


def test_the_age_of_an_element_is_a_limit_too() -> None:
    plan = make_visit_plan(problem(element("grader-07", 300.0, calendar_day=8)))
    assert of(plan, "grader-07").day == 8


def test_one_at_its_limit_is_visited_on_the_first_day_and_so_is_one_to_look_at() -> None:
    plan = make_visit_plan(problem(element("grader-07", 0.0, is_over=True), element("loader-3", None)))
    assert [visit.day for visit in plan.visits] == [0, 0]
    assert of(plan, "grader-07").reasons[0] == "at_once"
    assert of(plan, "loader-3").reasons[0] == "look_first"


def test_a_machine_that_is_laid_up_is_visited_when_it_is_there() -> None:
    plan = make_visit_plan(problem(element("grader-07", 10.0, laid_up=frozenset(range(4, 43)))))
    assert of(plan, "grader-07").day == 3


def test_where_people_do_not_suffice_the_plan_is_late_by_the_fewest_days_and_says_so() -> None:
    """Five at their limit, and two hours a day with no way to go: two on each day."""
    over = [element(f"hauler-{n}", 0.0, is_over=True, site="") for n in range(5)]
    near = (SiteTrip(site="", price=0.0, hours=0.0, km=0.0),)
    plan = make_visit_plan(problem(*over, capacity_h=(2.0,) * 42, trips=near))
    assert sorted(visit.day for visit in plan.visits) == [0, 0, 1, 1, 2]
    assert [v.day for v in plan.visits if "late" in v.reasons] == [1, 1, 2]
    assert {(visit.waits_for, visit.part_day) for visit in plan.late} == {("people", None)}
    assert plan.late_days == 4


def test_where_a_part_comes_too_late_the_plan_waits_for_it_and_says_so() -> None:
    parts = [PartSupply(part="KG-0715", pieces=0, there_day=14)]
    plan = make_visit_plan(problem(element("grader-07", 10.0, part="KG-0715"), supplies=tuple(parts)))
    late = of(plan, "grader-07")
    assert (late.day, late.reasons[0], late.waits_for, late.part_day) == (14, "late", "part", 14)
    assert plan.late == (late,)
    assert plan.late_days == 14 - late.last_day > 0


# ---------------------------------------------------------------- planned and chosen days


def test_a_planned_day_stays_where_moving_gains_less_than_it_costs() -> None:
    """Four days early lose about 2 each; a move costs 15, or 1; more than a week ahead a tenth of that."""
    planned = element("grader-07", 8.0, planned_day=4)
    assert of(make_visit_plan(problem(planned)), "grader-07").reasons == ("as_planned",)
    cheap = replace(TERMS, move_price=1.0)
    assert of(make_visit_plan(problem(planned, terms=cheap)), "grader-07").day == 8
    far = element("grader-07", 18.0, planned_day=14)
    assert of(make_visit_plan(problem(far)), "grader-07").day == 18


def test_a_planned_day_that_would_pass_the_limit_is_moved_whatever_it_costs() -> None:
    dear = replace(TERMS, move_price=1e6)
    plan = make_visit_plan(problem(element("grader-07", 10.0, planned_day=14), terms=dear))
    assert (of(plan, "grader-07").day, of(plan, "grader-07").move_cost) == (10, 1e5)


def test_a_day_chosen_by_hand_stands_and_the_others_follow() -> None:
    elements = element("grader-07", 10.0, fixed_day=7), element("grader-11", 14.0)
    plan = make_visit_plan(problem(*elements))
    assert of(plan, "grader-07").reasons[0] == "fixed"
    assert of(plan, "grader-07").day == of(plan, "grader-11").day == 7
    back = next(move for move in of(plan, "grader-07").moves if move.day == 10)
    assert back.more_cost > 0, "alone on another day it needs a trip of its own"


def test_each_other_day_says_what_it_costs() -> None:
    """In the shop's own yard: each day earlier loses 10 h of 0.2 for nine in ten, and no day is later."""
    yard = (SiteTrip(site="oberkies", price=0.0, hours=0.0, km=0.0),)
    visit = of(make_visit_plan(problem(element("grader-07", 10.0), trips=yard)), "grader-07")
    costs = {move.day: move.more_cost for move in visit.moves}
    assert sorted(costs) == [0, 1, 2, 3, 4, 7, 8, 9]
    assert costs[9] == pytest.approx(1.8, abs=0.3)
    assert costs[0] > costs[9] > 0


def test_a_visit_that_is_late_anyway_can_be_moved_to_the_next_days() -> None:
    """At its limit: today is late already. Another one may not be late by choice."""
    over = element("hauler-1", 0.0, is_over=True)
    plan = make_visit_plan(problem(over, element("grader-07", 10.0, site="unterkies")))
    late = of(plan, "hauler-1")
    assert late.day == 0
    assert [move.day for move in late.moves] == [1, 2, 3, 4, 7]
    assert all(move.more_cost > 0 for move in late.moves)
    chosen = make_visit_plan(
        problem(replace(over, fixed_day=3), element("grader-07", 10.0, site="unterkies"))
    )
    assert (of(chosen, "hauler-1").day, of(chosen, "hauler-1").reasons[:2]) == (3, ("fixed", "late"))
    assert of(chosen, "grader-07").day == of(plan, "grader-07").day


def test_what_is_late_for_want_of_people_can_be_moved_too_and_nothing_else() -> None:
    """Two hours a day, one change each: three of five are late, and only these may be later."""
    near = (SiteTrip(site="", price=0.0, hours=0.0, km=0.0),)
    due = [element(f"hauler-{n}", 0.5, site="") for n in range(5)]
    given: dict[str, Any] = {"capacity_h": (2.0,) * 42, "trips": near}
    plan = make_visit_plan(problem(*due, **given))
    late = [visit for visit in plan.visits if "late" in visit.reasons]
    assert len(late) == 3
    assert all(max(move.day for move in visit.moves) == visit.day + 7 for visit in late)
    number = int(late[-1].element.machine[-1])
    due[number] = replace(due[number], fixed_day=4)
    assert of(make_visit_plan(problem(*due, **given)), f"hauler-{number}").day == 4


# ---------------------------------------------------------------- what cannot be


def test_days_chosen_by_hand_that_cannot_be_are_refused_with_the_last_day() -> None:
    late = problem(element("grader-07", 10.0, fixed_day=11))
    days = {"machine": "grader-07", "day": date(2026, 12, 11), "last_day": date(2026, 12, 10)}
    with refused_plan("plan_fixed_too_late", **days):
        make_visit_plan(late)
    with refused_plan("plan_fixed_on_free_day", machine="grader-07"):
        make_visit_plan(problem(element("grader-07", 10.0, fixed_day=5)))


def test_a_problem_without_an_answer_says_what_is_missing() -> None:
    one = element("grader-07", 10.0)
    with refused_plan("plan_without_working_day", days=14):
        make_visit_plan(problem(one, capacity_h=(0.0,) * 14))
    with refused_plan("plan_visit_longer_than_day", need_h=2.5, most_h=2.0, site="oberkies"):
        make_visit_plan(problem(one, capacity_h=(2.0,) * 14))
    both = [element(f"grader-{n}", 3.0, fixed_day=2) for n in range(4)]
    with refused_plan("plan_fixed_without_room", machines="grader-0, grader-1, grader-2, grader-3"):
        make_visit_plan(problem(*both, capacity_h=(4.0,) * 14))
    many = [element(f"grader-{n}", 1.0) for n in range(9)]
    with refused_plan("plan_short_of_people_or_parts", changes=9, people_h=6.0):
        make_visit_plan(problem(*many, capacity_h=(3.0, 3.0)))


@contextmanager
def refused_plan(case: str, **values: Any) -> Iterator[None]:
    with refused(Refused, "no_visit_plan", **values) as error:
        yield
    assert error.value.case == case


def test_no_machine_is_no_plan_and_no_fault() -> None:
    plan = make_visit_plan(problem())
    assert (plan.visits, plan.trips, plan.cost.all, plan.gap) == ((), (), 0.0, 0.0)


# ---------------------------------------------------------------- a week in which a machine breaks the plan


def test_a_machine_that_wears_faster_than_forecast_moves_itself_and_few_others() -> None:
    """
    A plan is accepted; two days later grader-2 meets twice the dust and is due within the week. It is visited
    in time, and no visit moves that does not gain more than a move costs.
    """
    early = {"grader-1": 9.0, "grader-2": 16.0, "grader-3": 17.0, "grader-4": 30.0, "loader-1": 8.0}
    before = make_visit_plan(problem(*(element(name, day) for name, day in early.items())))
    planned = {v.element.machine: v.day - 2 for v in before.visits}
    now = {name: day - 2.0 for name, day in early.items()} | {"grader-2": 3.0}
    elements = [element(name, day, planned_day=planned[name]) for name, day in now.items()]
    capacity_h = (WEEK * 7)[2:44]
    after = make_visit_plan(problem(*elements, first_on=date(2026, 12, 2), capacity_h=capacity_h))
    moved = {v.element.machine for v in after.visits if v.day != planned[v.element.machine]}
    assert of(after, "grader-2").day <= 3
    assert "grader-2" in moved
    stays = [replace(e, planned_day=None) for e in elements]
    free = make_visit_plan(problem(*stays, first_on=date(2026, 12, 2), capacity_h=capacity_h))
    moved_free = {v.element.machine for v in free.visits if v.day != planned[v.element.machine]}
    assert len(moved) <= len(moved_free)
    assert after.cost.all - after.cost.moved >= free.cost.all - 1e-6
