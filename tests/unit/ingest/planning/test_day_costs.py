"""What a day is expected to cost, against integrals written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanside.ingest.planning.day_costs import (
    DueDays,
    Wear,
    _days_of_shares,
    chance_by,
    day_costs,
    day_of_share,
    gain_of_waiting,
    last_allowed,
    scenarios,
)
from cleanside.ingest.restriction import Quantiles
from cleanside.ingest.shop.work_list import chance_at_limit

DUE = DueDays(early=10.0, likely=20.0, late=40.0)


def wear(due: DueDays = DUE, *, is_over: bool = False, now: float = 0.0, at_limit: float = 0.0) -> Wear:
    return Wear(
        due=due,
        is_over=is_over,
        hours_per_day=10.0,
        life_hours=800.0,
        element_price=200.0,
        fuel_now=now,
        fuel_at_limit=at_limit,
    )


def test_the_chance_of_a_day_is_the_one_of_the_work_list() -> None:
    """Two rooms say it; they must not say two things."""
    due_s = Quantiles(p10=10.0, p50=20.0, p90=40.0)
    for day in (0.0, 3.0, 10.0, 15.0, 20.0, 39.0, 40.0, 45.0, 90.0):
        chance = chance_by(wear(), np.array([day]))[0]
        assert chance == pytest.approx(chance_at_limit(due_s, day, 0.0), abs=1e-4)


def test_the_day_of_one_share_is_that_of_the_array_to_the_last_bit() -> None:
    rng = np.random.default_rng(5)
    for _ in range(2_000):
        now, early, likely, late = np.round(np.cumsum(rng.exponential(4, 4)) - rng.integers(0, 9), 2).tolist()
        due, share = DueDays(early=early, likely=likely, late=late, now=now), float(rng.choice(101)) / 100
        assert day_of_share(due, share) == _days_of_shares(due, np.array([share]))[0]


def test_scenarios_are_spread_as_the_dates_say() -> None:
    days = scenarios(wear())
    for share, day in ((0.1, 10.0), (0.5, 20.0), (0.9, 40.0)):
        assert np.mean(days <= day) == pytest.approx(share)
    assert (np.diff(days) > 0).all()


def test_the_early_date_is_the_last_day_for_one_in_ten() -> None:
    assert last_allowed(wear(), 0.1) == pytest.approx(10.0, abs=1e-4)
    assert last_allowed(wear(), 0.3) == pytest.approx(15.0, abs=1e-4)
    assert last_allowed(wear(is_over=True), 0.3) == 0.0


def test_an_element_changed_early_loses_the_hours_that_it_would_have_lasted() -> None:
    """
    Limit reached after 20 days for nine in ten, before in a straight line from today for one in ten. On day
    10 nine lose 100 h; of the four scenarios in forty before day 20 (at 2.5, 7.5, 12.5, 17.5) two lose 25 and
    75. Each hour is worth the price over that scenario's whole life: 200/1000, 200/925, 200/975.
    """
    found = day_costs(wear(DueDays(early=20.0, likely=20.0, late=20.0)), np.array([10.0]), over_price=0.0)
    assert found.hours_lost[0] == pytest.approx(0.9 * 100 + (25 + 75) / 40, abs=1e-3)
    by_hand = (36 * 100 * 0.2 + 25 * 200 / 925 + 75 * 200 / 975) / 40
    assert found.element[0] == pytest.approx(by_hand, abs=1e-3)


def test_days_past_the_limit_cost_what_the_shop_says_and_end_with_a_trip_of_their_own() -> None:
    """Nine in ten reach it on day 20, four scenarios before: on day 21 they are 1, and 3 each, days past it,
    and a forecast never says certainly."""
    due = DueDays(early=20.0, likely=20.0, late=20.0)
    found = day_costs(wear(due), np.array([0.0, 21.0]), over_price=50.0, trip_price=90.0)
    assert found.over.tolist() == pytest.approx([0.0, 50.0 * (36 * 1 + 4 * 3) / 40 + 0.99 * 90.0], abs=1e-3)


def test_a_machine_at_its_limit_waits_for_its_visit() -> None:
    found = day_costs(wear(is_over=True), np.array([0.0, 3.0]), over_price=50.0)
    assert found.over.tolist() == [0.0, 150.0]
    assert found.chance.tolist() == [1.0, 1.0]
    assert found.hours_lost.tolist() == [0.0, 0.0]


def test_extra_fuel_rises_with_the_square_of_time_to_the_limit_and_stays() -> None:
    """1 an hour now and 3 at the limit, ten hours a day; three days past the limit somebody has come."""
    due = DueDays(early=20.0, likely=20.0, late=20.0)
    fuel = wear(due, now=1.0, at_limit=3.0)
    at = np.array([0.0, 10.0, 20.0, 22.0])
    every = scenarios(fuel)
    by_hand = [np.mean([_fuel_by_steps(day, last) for last in every]) for day in at]
    assert day_costs(fuel, at, over_price=0.0).fuel == pytest.approx(by_hand, rel=1e-3, abs=1e-3)


def _fuel_by_steps(until: float, limit: float) -> float:
    days = np.linspace(0.0, min(until, limit + 3.0), 4_001)
    return float(np.trapezoid(10.0 * np.minimum(3.0, 1.0 + 2.0 * (days / limit) ** 2), days))


def test_waiting_gains_what_knowing_the_limit_would_save() -> None:
    """
    By hand: the last day in time is 10; a service comes on day 15, a visit of its own costs 100.

    30 % reach the limit before day 15. In the others the service saves the whole visit, and five days of the
    element; in those between day 10 and 15 the limit itself is best.
    """
    cheap = replace(wear(), element_price=0.0)
    [gain] = gain_of_waiting(cheap, np.array([10.0]), [15], visit_price=100.0)
    life_h = 800 + 10 * scenarios(cheap)
    beyond = scenarios(cheap) > 15
    between = (scenarios(cheap) > 10) & ~beyond
    hour = 100 / life_h
    now = 100 + hour * 10 * (scenarios(cheap) - 10)
    at_service = hour * 10 * (scenarios(cheap) - 15)
    saved = np.where(beyond, now - np.minimum(at_service, 100.0), np.where(between, now - 100.0, 0.0))
    assert gain == pytest.approx(saved.mean())
    assert gain_of_waiting(cheap, np.array([10.0]), [], visit_price=100.0)[0] < gain
    over = replace(cheap, is_over=True)
    assert gain_of_waiting(over, np.array([0.0]), [15], visit_price=100.0)[0] == 0.0


def test_a_full_life_is_the_cheapest_where_only_the_element_costs() -> None:
    costs = day_costs(wear(), np.arange(60.0), over_price=0.0).all
    assert (np.diff(costs) <= 1e-9).all()


def test_what_may_happen_before_the_first_day_counts_on_it() -> None:
    """A plan made at noon begins tomorrow: 10 % within two days of now are 2.5 % in the half day before."""
    wears = wear(DueDays(early=1.5, likely=5.0, late=9.0, now=-0.5), at_limit=2.0)
    found = day_costs(wears, np.arange(3.0), over_price=100.0)
    assert found.chance[0] == pytest.approx(0.025)
    assert found.over[0] > 0
    assert (found.fuel >= 0).all()
    assert last_allowed(wears, 0.02) < 0 < last_allowed(wears, 0.03)


@pytest.mark.parametrize("days", [(-3.0, 2.0, 5.0), (0.0, 0.0, 0.0)])
def test_dates_that_have_passed_count_as_now(days: tuple[float, float, float]) -> None:
    due = DueDays(early=days[0], likely=days[1], late=days[2])
    found = day_costs(wear(due), np.arange(5.0), over_price=10.0)
    assert np.isfinite(found.all).all()
    assert (np.diff(found.chance) >= 0).all()
