"""From candidates, prices and stock to the problem of a plan, and what is said to be assumed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from cleanside.ingest.planning.day_costs import chance_by
from cleanside.ingest.planning.shop_terms import ShopTerms, WorkingDays
from cleanside.ingest.planning.visit_plan import make_visit_plan
from cleanside.ingest.planning.visit_problem import ElementAhead, free_days
from cleanside.ingest.restriction import Quantiles
from cleanside.ingest.shop.prices_used import visit_share
from cleanside.ingest.shop.stock import comes_on
from cleanside.ingest.shop.visit_inputs import PricedCandidate, Supply, VisitInputs, visit_inputs
from cleanside.ingest.shop.work_list import (
    Candidate,
    ListDays,
    chance_before,
    jobs_of,
    last_day_in_time,
    service_fit,
)
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.papers import HousingPapers, MachinePapers, Papers, PlannedChange
from cleanside.ingest.store.planning_terms import TripRow
from tests.unit.ingest.shop.test_work_list import (
    CANDIDATE,
    DAY_S,
    DAYS,
    MONDAY,
    NOW_S,
    ZONE,
    due_in,
)

FIVE_DAYS = WorkingDays("12345")
PRICES = HousingPrices(0, "k1", "EUR", 18.0, 1.45, 140.0)


def priced(candidate: Candidate = CANDIDATE, prices: HousingPrices | None = None) -> PricedCandidate:
    return PricedCandidate(candidate=candidate, prices=prices, extra_pa=1_500.0, extra_at_limit_pa=4_000.0)


def inputs(*candidates: PricedCandidate, days: ListDays = DAYS, **more: Any) -> VisitInputs:
    given: dict[str, Any] = {"entered": ShopTerms(), "trips": {}, "supplies": {}, "fixed": {}}
    return visit_inputs(candidates, days, **(given | more))


def only(found: VisitInputs) -> ElementAhead:
    [element] = found.problem.elements
    return element


def test_dates_are_days_from_the_first_one_to_a_quarter_of_a_day() -> None:
    """Now is Monday 06:40; early is in three days, Thursday 06:40."""
    found = inputs(priced())
    wear = only(found).wear
    assert wear is not None
    assert found.problem.first_on == MONDAY
    assert (wear.due.early, wear.due.likely, wear.due.late) == (3.25, 5.25, 9.25)
    assert (wear.hours_per_day, wear.life_hours, wear.is_over) == (8.0, 300.0, False)


def test_after_noon_the_plan_begins_tomorrow() -> None:
    noon_s = datetime(2026, 11, 30, 12, 1, tzinfo=ZONE).timestamp()
    found = inputs(priced(), days=ListDays(ZONE, noon_s, before=date.max))
    assert found.problem.first_on == MONDAY + timedelta(days=1)
    assert found.problem.capacity_h[:7] == (8.0, 8.0, 8.0, 8.0, 0.0, 0.0, 8.0)


@pytest.mark.parametrize("hour", [12, 18])
@pytest.mark.parametrize("hours", [(2, 12, 60), (6, 30, 96), (48, 96, 240)])
def test_the_plan_reckons_with_the_chance_that_the_work_list_says(
    hour: int, hours: tuple[int, int, int]
) -> None:
    """Two pieces of code: days from the first one here, instants there; in whole quarters of a day."""
    now_s = datetime(2026, 11, 30, hour, tzinfo=ZONE).timestamp()
    days = ListDays(ZONE, now_s, before=date.max)
    at_s = [now_s + 3 * 3_600.0 * in_h for in_h in hours]
    due_s = Quantiles(p10=at_s[0], p50=at_s[1], p90=at_s[2])
    candidate = replace(CANDIDATE, due_s=due_s)
    found = inputs(priced(candidate), days=days)
    wear = only(found).wear
    assert wear is not None
    ahead = np.arange(12.0)
    said = [chance_before(candidate, found.problem.on(int(day)), days) for day in ahead]
    assert chance_by(wear, ahead) == pytest.approx(said, abs=1e-5)


def test_fuel_counts_by_what_the_machine_burns_and_its_restriction_above_clean() -> None:
    """18 l/h at 1.45, 0.4 % for each kPa: 1.5 kPa are 0.157 an hour, 4 kPa 0.418."""
    wear = only(inputs(priced(prices=PRICES))).wear
    assert wear is not None
    assert wear.element_price == 140.0
    assert (wear.fuel_now, wear.fuel_at_limit) == pytest.approx((0.157, 0.418), abs=1e-3)
    plain = only(inputs(priced())).wear
    assert plain is not None
    assert (plain.element_price, plain.fuel_at_limit) == (150.0, 0.0), "assumed, and not counted"


def test_what_is_assumed_is_named_and_nothing_else() -> None:
    assert "element_price" in inputs(priced()).assumed
    assert inputs(priced()).assumed["fuel_price_per_l"] == "0"
    all_priced = inputs(priced(prices=PRICES), entered=ShopTerms(stop_price=70.0))
    assert {"element_price", "fuel_price_per_l", "stop_price"}.isdisjoint(all_priced.assumed)
    assert all_priced.currency == "EUR"
    assert all_priced.sites_without_trip == ("",)


def test_prices_in_another_currency_are_not_used_and_the_machine_is_named() -> None:
    found = inputs(priced(prices=PRICES), entered=ShopTerms(currency="CHF"))
    wear = only(found).wear
    assert wear is not None
    assert (found.currency, found.other_currency, wear.element_price) == ("CHF", ("grader-07",), 150.0)


def test_papers_become_site_part_service_and_days_that_are_out() -> None:
    machine = MachinePapers(site="oberkies", laid_up_from="2026-12-03", laid_up_until="2026-12-04")
    papers = Papers(machine, HousingPapers(primary_part="KG", calendar_limit_days=110))
    candidate = replace(CANDIDATE, papers=papers, service_s=NOW_S + 4 * DAY_S)
    found = inputs(
        priced(candidate),
        trips={"oberkies": TripRow(90.0, 1.5)},
        supplies={"KG": Supply(pieces=2, lead_days=None)},
        entered=ShopTerms(km_price=1.0),
        fixed={("grader-07", "main"): MONDAY + timedelta(days=2)},
    )
    element = only(found)
    assert (element.site, element.part, element.service_days) == ("oberkies", "KG", frozenset({4}))
    assert (element.laid_up, element.calendar_day, element.fixed_day) == (frozenset({3, 4}), 10, 2)
    [trip] = found.problem.trips
    assert (trip.price, trip.hours, trip.km) == (90.0, 1.5, 90.0)
    [supply] = found.problem.supplies
    assert (supply.pieces, supply.there_day, found.parts_without_lead_time) == (2, 0, ("KG",))


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"plan": "open"}, 4),
        ({"plan": "done"}, None),
        ({"plan": "missed"}, None),
        ({"plan": None}, None),
    ],
)
def test_an_open_plan_is_a_planned_day(changed: dict[str, Any], expected: int | None) -> None:
    papers = Papers(planned=PlannedChange((MONDAY + timedelta(days=4)).isoformat(), 0, 0, "k1", ""))
    assert only(inputs(priced(replace(CANDIDATE, papers=papers, **changed)))).planned_day == expected


def test_what_cannot_be_planned_is_named_and_what_must_be_looked_at_is_planned() -> None:
    """A state over the limit needs no dates."""
    laid_up = Papers(MachinePapers(laid_up_from="2026-11-01"))
    silent = replace(CANDIDATE, machine="a", state="silent", due_s=None)
    found = inputs(
        priced(silent),
        priced(replace(CANDIDATE, machine="b", papers=laid_up)),
        priced(replace(CANDIDATE, machine="c", state="suspect", due_s=None)),
        priced(replace(CANDIDATE, machine="d", state="over", due_s=None)),
    )
    assert found.not_planned == {("a", "main"): "no_dates", ("b", "main"): "laid_up"}
    look, over = found.problem.elements
    assert look.wear is None
    assert over.wear is not None
    assert over.wear.is_over


def test_the_problem_of_an_empty_start_has_a_plan() -> None:
    [visit] = make_visit_plan(inputs(priced()).problem).visits
    assert visit.day <= 3


def test_equal_inputs_are_equal_problems() -> None:
    """What a plan is remembered by."""
    later = ListDays(ZONE, NOW_S + 60.0, before=date.max)
    assert hash(inputs(priced()).problem) == hash(inputs(priced()).problem)
    assert inputs(priced(), days=later).problem == inputs(priced()).problem


@pytest.mark.parametrize("early_h", [61.0, 62.0, 62.9, 63.5, 65.0, 89.4])
def test_on_the_last_day_allowed_the_chance_is_within_what_the_shop_allows(early_h: float) -> None:
    """The plan said "the last day within 10 %" beside "chance: 11 %": its dates were rounded up by hours."""
    due_s = Quantiles(p10=NOW_S + early_h * 3_600, p50=NOW_S + 80 * 3_600 + early_h, p90=NOW_S + 400 * 3_600)
    candidate = replace(CANDIDATE, due_s=due_s)
    chance = chance_before(candidate, last_day_in_time(candidate, DAYS), DAYS)
    assert chance is not None
    assert chance <= candidate.chance_allowed + 1e-4


@pytest.mark.parametrize(("hour", "first"), [(6, 0), (21, 1)])
def test_a_part_comes_on_the_day_that_the_work_list_says(hour: int, first: int) -> None:
    """
    Work list: ordered today it comes on the 14th, as the 12th is a Saturday; the plan, which began tomorrow,
    said another day.
    """
    now_s = datetime(2026, 11, 30, hour, tzinfo=ZONE).timestamp()
    papers = Papers(housing=HousingPapers(primary_part="KG"))
    supplies = {"KG": Supply(pieces=0, lead_days=12)}
    days = ListDays(ZONE, now_s, before=date.max)
    problem = inputs(priced(replace(CANDIDATE, papers=papers)), days=days, supplies=supplies).problem
    assert problem.first_on == MONDAY + timedelta(days=first)
    [supply] = problem.supplies
    assert problem.on(supply.there_day) == comes_on(MONDAY, 12, FIVE_DAYS) == date(2026, 12, 14)


# ---------------------------------------------------------------- a service, on the list and in the plan

#: an element half way through a life of 80 days of 8 h: its early date is 30 days off, its likely one 40
HALF_WAY = replace(
    CANDIDATE, due_s=due_in(30, 40, 60), hours_left=Quantiles(p10=240, p50=320, p90=480), life_hours=320.0
)
LONG = ListDays(ZONE, NOW_S, before=MONDAY + timedelta(days=42))


@pytest.mark.parametrize(
    "entered", [ShopTerms(), ShopTerms(stop_price=600.0), ShopTerms(element_price=900.0)]
)
@pytest.mark.parametrize("service_in", [2, 8, 10, 15, 21, 28])
def test_the_plan_takes_a_change_with_a_service_where_the_work_list_does(
    entered: ShopTerms, service_in: int
) -> None:
    """Without prices the list said that the service comes too early, and the plan to take it with it."""
    candidate = replace(
        HALF_WAY,
        service_s=NOW_S + service_in * DAY_S,
        working=entered.working(),
        visit_share=visit_share(entered, None, None, None),
    )
    found = inputs(priced(candidate), days=LONG, entered=entered)
    [job] = jobs_of([candidate], LONG)
    if candidate.working.has(MONDAY + timedelta(days=service_in)):
        expected = frozenset((service_in,)) if job.reason == "service" else frozenset()
        assert only(found).service_days == expected, job.service_fit
    for visit in make_visit_plan(found.problem).visits:
        on = found.problem.on(visit.day)
        assert (visit.day == service_in) <= (job.reason == "service"), "not with one that comes too early"
        if on >= job.day:
            assert service_fit(candidate, on, LONG) == job.service_fit


def test_a_dear_stop_is_worth_more_of_an_element_than_a_cheap_one() -> None:
    """21 days before its early date, of 80: more than a quarter of its life."""
    service_s = NOW_S + 9 * DAY_S
    for entered, expected in (
        (ShopTerms(), "too_early"),
        (ShopTerms(stop_price=150.0), "with_service"),
        (ShopTerms(stop_price=150.0, element_price=400.0), "too_early"),
    ):
        share = visit_share(entered, None, None, None)
        [job] = jobs_of([replace(HALF_WAY, service_s=service_s, visit_share=share)], LONG)
        assert job.service_fit == expected, entered
    cheap_machine = visit_share(ShopTerms(), PRICES._replace(element_price=60.0), None, "EUR")
    assert cheap_machine > visit_share(ShopTerms(), PRICES._replace(currency="CHF"), None, "EUR")


def test_somebody_goes_to_the_site_for_a_service_that_comes_too_early_for_the_change() -> None:
    candidate = replace(HALF_WAY, service_s=NOW_S + 2 * DAY_S)
    found = inputs(priced(candidate))
    assert (only(found).service_days, only(found).early_days) == (frozenset(), frozenset({2}))
    assert free_days(found.problem, found.problem.trips[0]) == frozenset({2})


def test_a_service_too_early_for_the_change_takes_no_change_along_unless_a_person_means_it() -> None:
    """Far away, the trip of the service alone made its day the cheapest: the list said not to."""
    far = {"": TripRow(400.0, 6.0)}
    candidate = replace(HALF_WAY, service_s=NOW_S + 8 * DAY_S)
    on = MONDAY + timedelta(days=8)
    free = inputs(priced(candidate), days=LONG, trips=far)
    assert only(free).early_days == frozenset({8})
    assert [visit.day for visit in make_visit_plan(free.problem).visits if visit.day == 8] == []
    fixed = inputs(priced(candidate), days=LONG, trips=far, fixed={("grader-07", "main"): on})
    assert [visit.day for visit in make_visit_plan(fixed.problem).visits] == [8]
    planned = Papers(planned=PlannedChange(on.isoformat(), 0, 0, "k1", ""))
    stays = inputs(priced(replace(candidate, papers=planned, plan="open")), days=LONG, trips=far)
    assert only(stays).planned_day == 8
    assert make_visit_plan(stays.problem).visits[0].day == 8
