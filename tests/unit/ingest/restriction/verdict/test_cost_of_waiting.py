"""What waiting costs: the published range, least mean cost by closed form, never beyond terminal."""

from dataclasses import replace

import numpy as np
import pytest

from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from cleanside.ingest.restriction.verdict.cost_of_waiting import (
    CostRange,
    Prices,
    cost_of_waiting,
    unusual_figures,
    way_to_terminal,
)

PRICES = Prices(fuel_l_per_h=20.0, fuel_price_per_l=1.5, element_price=120.0)


def straight(age_h, *, clean_pa=1000.0, slope=5.0):
    hours = np.arange(0.0, age_h + 0.5)
    return hours, clean_pa + slope * hours


def waiting(hours, restriction_pa, left_h, prices=PRICES, terminal_pa=6200.0):
    points = np.array([0.7 * left_h, left_h, 1.4 * left_h])
    return cost_of_waiting(
        hours, restriction_pa, clean_pa=1000.0, terminal_pa=terminal_pa, hours_left=points, prices=prices
    )


def test_the_effect_is_the_published_one():
    """Dziubak and Karczewski, Energies 2022, 15, 3285: +1 kPa costs 0.3 to 0.5 % fuel, 0.4 to 0.6 % power."""
    hours = np.arange(10.0)
    found = waiting(hours, np.full(10, 2000.0), 100.0)
    assert (found.extra_fuel_percent_now.low, found.extra_fuel_percent_now.high) == pytest.approx((0.3, 0.5))
    assert (found.power_loss_percent_now.low, found.power_loss_percent_now.high) == pytest.approx((0.4, 0.6))


def test_a_clean_element_costs_nothing_now():
    found = waiting(np.arange(10.0), np.full(10, 990.0), 500.0)
    assert found.extra_fuel_percent_now.high == 0


def test_litres_until_due_are_those_of_a_straight_way_by_hand():
    """From 2 to 6.2 kPa along a line in 840 h: mean extra 3.1 kPa, 20 l/h, 0.3 and 0.5 % a kPa."""
    hours, restriction_pa = straight(200.0)
    found = waiting(hours, restriction_pa, 840.0)
    litres = 20.0 * 840.0 * 3.1
    assert found.extra_fuel_l_until_due is not None
    assert found.extra_fuel_l_until_due.low == pytest.approx(litres * 0.003, rel=0.01)
    assert found.extra_fuel_l_until_due.high == pytest.approx(litres * 0.005, rel=0.01)
    assert found.extra_fuel_cost_until_due is not None
    assert found.extra_fuel_cost_until_due.high == pytest.approx(1.5 * litres * 0.005, rel=0.01)


def test_with_no_hours_left_each_hour_has_its_cost_and_none_is_until_due():
    """Beyond terminal, 5.6 kPa above clean: 20 l/h at 1.5 a litre, 0.3 and 0.5 % a kPa."""
    found = waiting(np.arange(10.0), np.full(10, 6600.0), 0.0)
    assert (found.extra_fuel_l_until_due, found.extra_fuel_cost_until_due) == (None, None)
    assert found.extra_fuel_l_per_h_now is not None
    assert found.extra_fuel_cost_per_h_now is not None
    assert found.extra_fuel_l_per_h_now.high == pytest.approx(20.0 * 5.6 * 0.005)
    assert found.extra_fuel_cost_per_h_now.low == pytest.approx(1.5 * 20.0 * 5.6 * 0.003)
    assert (found.cheapest_in_h, found.terminal_first) == (CostRange(low=0.0, high=0.0), True)


@pytest.mark.parametrize(
    ("wrong", "fields"),
    [
        ({}, []),
        ({"fuel_l_per_h": 1800.0}, ["fuel_l_per_h"]),
        ({"fuel_price_per_l": 145.0}, ["fuel_price_per_l"]),
        ({"fuel_price_per_l": 0.0145}, ["fuel_price_per_l"]),
        ({"fuel_price_per_l": 145.0, "element_price": 12_000.0}, []),  # of a currency with small units
    ],
)
def test_figures_that_are_most_likely_mistyped_are_named(wrong, fields):
    """Bounds by common practice: 500 l/h, an element worth 5 to 5000 l of fuel."""
    assert [name for name, *_ in unusual_figures(replace(PRICES, **wrong))] == fields


def test_the_cheapest_hour_is_that_of_the_closed_form():
    """
    Extra s t: cost by the hour c/t + w s t/2 is least at t = sqrt(2 c / (w s)).

    c = 120, w = 20 * 1.5 * 3e-6 (5e-6) per Pa h, s = 5 Pa/h: 730.3 h (565.7 h) from the change.
    """
    hours, restriction_pa = straight(200.0)
    found = waiting(hours, restriction_pa, 840.0)
    assert found.cheapest_in_h is not None
    assert found.cheapest_in_h.high == pytest.approx(np.sqrt(2 * 120 / (30 * 3e-6 * 5)) - 200, abs=4)
    assert found.cheapest_in_h.low == pytest.approx(np.sqrt(2 * 120 / (30 * 5e-6 * 5)) - 200, abs=4)
    assert found.terminal_first is False


def test_it_is_never_later_than_terminal():
    dear = Prices(fuel_l_per_h=5.0, fuel_price_per_l=0.5, element_price=5_000.0)
    hours, restriction_pa = straight(200.0)
    found = waiting(hours, restriction_pa, 840.0, dear)
    assert found.cheapest_in_h is not None
    assert found.cheapest_in_h.low == found.cheapest_in_h.high == 840.0
    assert found.terminal_first is True


def test_when_the_cheapest_hour_has_passed_it_says_now():
    cheap = Prices(fuel_l_per_h=60.0, fuel_price_per_l=2.0, element_price=10.0)
    hours, restriction_pa = straight(700.0)
    found = waiting(hours, restriction_pa, 340.0, cheap)
    assert found.cheapest_in_h is not None
    assert found.cheapest_in_h.high == 0.0


def test_without_prices_there_are_percentages_and_no_date():
    hours, restriction_pa = straight(200.0)
    found = waiting(hours, restriction_pa, 840.0, None)
    assert found.cheapest_in_h is found.extra_fuel_l_until_due is found.terminal_first is None
    assert found.extra_fuel_percent_until_due.high == pytest.approx(0.5 * 3.1, rel=0.01)


def test_beyond_terminal_there_is_nothing_ahead():
    hours, restriction_pa = straight(1100.0)
    found = waiting(hours, restriction_pa, 0.0)
    assert found.cheapest_in_h is not None
    assert found.cheapest_in_h.high == 0.0
    assert found.terminal_first  # it, not fuel, says that the time has come
    assert found.extra_fuel_percent_until_due == found.extra_fuel_percent_now
    assert found.extra_fuel_l_until_due is None  # 0 would read as if waiting cost nothing


def test_the_way_to_terminal_is_convex_and_ends_there():
    hours = np.arange(200.0)
    restriction_pa = 1000.0 + 0.02 * hours**2
    ahead_h, ahead_pa = way_to_terminal(hours, restriction_pa, 6200.0, 300.0)
    assert (ahead_h[-1], ahead_pa[-1]) == pytest.approx((300.0, 6200.0))
    assert np.all(np.diff(ahead_pa) > 0)
    assert np.all(np.diff(ahead_pa, 2) >= -1e-9)


def test_an_empty_life_is_refused_with_the_rule():
    with pytest.raises(WrongInput) as wrong:
        waiting(np.empty(0), np.empty(0), 10.0)
    assert wrong.value.code == "life_empty_or_uneven"
