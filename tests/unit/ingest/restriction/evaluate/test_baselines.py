"""Baselines against independent libraries and shapes whose end is known."""

import numpy as np
import pytest
from scipy import stats

from cleanside.ingest.restriction import Life
from cleanside.ingest.restriction.evaluate.baselines import (
    MOST_AGES,
    exponential_fit,
    fit_level_lookup,
    fit_mean_life,
    straight_line,
    theil_sen,
)


def test_the_straight_line_is_that_of_scipy_linregress_at_every_row():
    rng = np.random.default_rng(2)
    hours = np.cumsum(rng.uniform(0.5, 1.5, 60))
    share = 0.1 + 0.004 * hours + rng.normal(0, 0.01, 60)
    found = straight_line(hours, share)
    for row in (10, 30, 59):
        fit = stats.linregress(hours[: row + 1], share[: row + 1])
        expected = (1.0 - fit.intercept - fit.slope * hours[row]) / fit.slope
        assert found[row] == pytest.approx(min(max(expected, 0), MOST_AGES * hours[row]), rel=1e-6)


def test_the_theil_sen_line_is_that_of_scipy():
    rng = np.random.default_rng(4)
    hours = np.arange(1.0, 101.0)
    share = 0.05 + 0.005 * hours + rng.normal(0, 0.02, 100)
    fit = stats.theilslopes(share, hours)
    expected = (1.0 - fit.intercept - fit.slope * 100.0) / fit.slope
    assert theil_sen(hours, share, [99])[0] == pytest.approx(expected)


def test_an_exponential_life_ends_where_the_exponential_fit_says():
    hours = np.linspace(1.0, 80.0, 80)
    share = np.exp((hours - 100.0) / 25.0)
    assert exponential_fit(hours, share)[-1] == pytest.approx(20.0, rel=1e-6)


def test_a_falling_line_is_bounded_by_ages():
    hours = np.linspace(1.0, 10.0, 10)
    assert straight_line(hours, 0.5 - 0.01 * hours)[-1] == MOST_AGES * 10.0


def lives():
    shapes = [(90.0, "fine"), (110.0, "fine"), (40.0, "coarse")]
    return [
        Life(
            hours=np.linspace(1, end, 200),
            restriction_pa=600.0 * np.exp(3 * (np.linspace(1, end, 200) / end - 1)),
            terminal_pa=600.0,
            complete=True,
            kind=kind,
        )
        for end, kind in shapes
    ]


def test_mean_life_minus_age_is_by_group_and_never_negative():
    mean_life = fit_mean_life(lives())
    assert mean_life.hours_left(np.array([0.0, 150.0]), "fine").tolist() == [100.0, 0.0]
    assert mean_life.hours_left(np.array([0.0]), "unheard")[0] == pytest.approx(80.0)


def test_the_level_look_up_gives_the_groups_mean_time_from_that_level():
    hours, end = np.linspace(1, 100.0, 300), 100.0
    share = np.exp(3 * (hours / end - 1))
    found = fit_level_lookup(lives()).hours_left(hours, share, "fine")
    assert found[150] == pytest.approx(end - hours[150], rel=0.05)


def test_a_flat_line_through_rows_of_one_time_is_bounded_without_a_warning():
    """With such ties the square of scipy's confidence limits, which are not used, is negative."""
    assert theil_sen(np.array([1.0, 1.0, 2.0]), np.full(3, 0.2), [2])[0] == MOST_AGES * 2.0
