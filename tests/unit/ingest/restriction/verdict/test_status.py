"""The smoothing of the level: it follows a steep curve and does not follow an odd hour."""

import numpy as np
import pytest
from scipy import stats

from cleanside.ingest.restriction.measure.steady import smoothed


def test_the_level_does_not_lag_on_a_steep_curve() -> None:
    """A line of 45 Pa a row is its own level, where a plain trailing median of five lags by 90 Pa."""
    line_pa = 2000.0 + np.linspace(0.0, 45.0 * 59, 60, dtype=np.float64)
    assert smoothed(line_pa)[10:] == pytest.approx(line_pa[10:], abs=1e-6)


@pytest.mark.parametrize("odd_pa", [-1500.0, 3000.0])
def test_two_odd_hours_do_not_move_the_level(odd_pa: float) -> None:
    line_pa = 2000.0 + np.linspace(0.0, 45.0 * 59, 60, dtype=np.float64)
    seen_pa = line_pa.copy()
    seen_pa[40:42] += odd_pa
    assert np.max(np.abs(smoothed(seen_pa) - line_pa)[10:]) < 60.0


def test_the_level_is_the_median_moved_along_the_theil_sen_slope_of_scipy() -> None:
    values = np.random.default_rng(5).normal(3000.0, 200.0, 30)
    for row in range(9, 30):
        last = values[row - 9 : row]
        slope = stats.theilslopes(last).slope
        expected = np.median((last + slope * np.arange(8, -1, -1))[-5:])
        assert smoothed(values)[row - 1] == pytest.approx(expected, rel=1e-12)


def test_few_rows_give_plain_medians() -> None:
    assert smoothed(np.array([1.0, 9.0, 2.0])).tolist() == [1.0, 5.0, 2.0]
    assert smoothed(np.array([])).shape == (0,)
