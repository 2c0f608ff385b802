"""What a cleaning gave back, beside its truth; the interval beside Fieller's theorem by drawing."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.given_back import (
    LevelSeen,
    gave_back,
    level_at_end,
    level_at_start,
)


def seen(pa: float, error_pa: float) -> LevelSeen:
    return LevelSeen(pa=pa, error_pa=error_pa)


def test_the_share_is_the_fall_over_the_rise_above_clean() -> None:
    found = gave_back(seen(5000.0, 0.0), seen(3000.0, 0.0), seen(1000.0, 0.0))
    assert found is not None
    assert (found.share, found.low, found.high, found.clean_pa) == (0.5, 0.5, 0.5, 1000.0)


@pytest.mark.parametrize(
    ("before", "after", "clean"),
    [
        ((5000, 150), (3000, 100), (1500, 60)),
        ((2500, 100), (2100, 90), (1500, 60)),
        ((4000, 80), (3900, 80), (1500, 400)),
    ],
)
def test_the_interval_holds_four_of_five_where_the_levels_are_off_by_their_errors(
    before: tuple[float, float], after: tuple[float, float], clean: tuple[float, float]
) -> None:
    """Fieller, Journal of the Royal Statistical Society B 16 (1954): exact for normal errors."""
    rng, draws, held = np.random.default_rng(7), 2_000, 0
    truth = (before[0] - after[0]) / (before[0] - clean[0])
    for _ in range(draws):
        found = gave_back(
            *(seen(float(rng.normal(pa, error)), error) for pa, error in (before, after, clean))
        )
        held += found is not None and found.low <= truth <= found.high
    assert held / draws == pytest.approx(0.8, abs=0.03)


def test_a_rise_within_its_error_says_nothing() -> None:
    assert gave_back(seen(1600.0, 100.0), seen(1500.0, 100.0), seen(1500.0, 100.0)) is None
    assert gave_back(seen(1400.0, 1.0), seen(1300.0, 1.0), seen(1500.0, 1.0)) is None


def test_all_levels_times_a_factor_give_the_same_share() -> None:
    """What is not known of full flow moves all levels alike."""
    once = gave_back(seen(5000.0, 150.0), seen(3000.0, 100.0), seen(1500.0, 60.0))
    twice = gave_back(seen(10_000.0, 300.0), seen(6000.0, 200.0), seen(3000.0, 120.0))
    assert once is not None
    assert twice is not None
    assert (twice.share, twice.low, twice.high) == pytest.approx((once.share, once.low, once.high))


def test_the_level_at_an_end_is_where_the_hours_lead() -> None:
    """20 Pa an hour; an hour's level is that of its middle. Two odd hours move it little."""
    hours = np.arange(1.0, 101.0)
    level = 2000.0 + 20.0 * (hours - 0.5)
    assert level_at_end(hours, level) == pytest.approx(4000.0)
    assert level_at_start(hours, level) == pytest.approx(2000.0)
    odd = level.copy()
    odd[[-2, -9]] = 500.0
    assert level_at_end(hours, odd) == pytest.approx(4000.0, rel=0.01)
    assert level_at_end(hours[:0], level[:0]) is None
    assert level_at_start(hours[:3], level[:3]) == pytest.approx(2030.0)  # too few for a line


def test_moisture_that_goes_after_a_cleaning_is_no_line_to_follow_upwards() -> None:
    hours = np.arange(1.0, 31.0)
    drying = 3000.0 - 10.0 * hours
    assert level_at_start(hours, drying) == pytest.approx(float(np.median(drying[:24])))
