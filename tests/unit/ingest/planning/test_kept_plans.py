"""Plans in memory: made once for each problem, refusals too, and not too many at a time."""

from __future__ import annotations

import threading
from datetime import date

import pytest

from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.planning.kept_plans import MOST_KEPT_PLANS, KeptPlans
from cleanside.ingest.planning.visit_plan import VisitPlan, make_visit_plan
from cleanside.ingest.planning.visit_problem import VisitProblem
from tests.unit.ingest.planning.test_visit_plan import element, problem


def test_the_same_problem_has_the_same_plan_and_is_solved_once() -> None:
    plans = KeptPlans()
    assert plans.of(problem(element("grader-07", 10.0))) is plans.of(problem(element("grader-07", 10.0)))
    assert len(plans) == 1


def test_a_problem_without_a_plan_is_remembered_too() -> None:
    plans = KeptPlans()
    late = problem(element("grader-07", 10.0, fixed_day=11))
    for _ in range(2):
        with pytest.raises(Refused):
            plans.of(late)
    assert len(plans) == 1


def test_the_oldest_plan_goes_where_there_are_too_many() -> None:
    plans = KeptPlans()
    for day in range(MOST_KEPT_PLANS + 5):
        plans.of(problem(first_on=date(2026, 11, 30 - day % 28), capacity_h=(1.0,) * (day + 1)))
    assert len(plans) == MOST_KEPT_PLANS


def test_who_comes_while_too_many_wait_is_asked_to_come_back() -> None:
    """One is being solved and none may wait: the next one is sent away at once, and may come again."""
    go, begun = threading.Event(), threading.Event()

    def slow(given: VisitProblem) -> VisitPlan:
        begun.set()
        assert go.wait(60)
        return make_visit_plan(given)

    plans, one = KeptPlans(slow, most_waiting=0), problem(element("grader-07", 10.0))
    thread = threading.Thread(target=plans.of, args=(one,))
    thread.start()
    assert begun.wait(60)
    with pytest.raises(TryAgain) as full:
        plans.of(problem(element("loader-3", 10.0)))
    assert full.value.case == "plans_wait"
    go.set()
    thread.join(60)
    assert plans.of(one).visits
