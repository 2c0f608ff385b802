"""The forecast is scale-free, finite and in order, whatever the life looks like."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanside.ingest.restriction import Life
from cleanside.ingest.restriction.forecast.forecast import Forecaster, fit_forecaster

TERMINAL_PA = 6000.0


def lives(seed: int, count: int, *, kinds: int = 1, censored: bool = False) -> list[Life]:
    """Made lives of convex loading; ends, curvature and clean level differ."""
    rng = np.random.default_rng(seed)
    found = []
    for i in range(count):
        end = 400.0 * 3.0 ** (i % kinds) * np.exp(rng.normal(0, 0.15))
        until = rng.uniform(0.5, 0.9) if censored and i % 3 == 0 else 1.0
        hours = np.linspace(end / 150, end * until, int(150 * until))
        curvature, clean = rng.uniform(2.5, 4.0), rng.uniform(0.1, 0.2)
        share = clean + (1 - clean) * np.expm1(curvature * hours / end) / np.expm1(curvature)
        share += rng.normal(0, 0.004, len(hours))
        if until == 1.0:
            share[-1] = 1.0
        level = TERMINAL_PA * share
        found.append(
            Life(
                hours=hours,
                restriction_pa=level,
                terminal_pa=TERMINAL_PA,
                complete=until == 1.0,
                kind=f"kind {i % kinds}" if kinds > 1 else "",
            )
        )
    return found


def scaled(life: Life, time: float, pressure: float) -> Life:
    return Life(
        hours=life.hours * time,
        restriction_pa=life.restriction_pa * pressure,
        terminal_pa=life.terminal_pa * pressure,
        complete=life.complete,
        kind=life.kind,
    )


@pytest.mark.parametrize(
    ("time", "pressure"), [(3600.0, 1.0), (1.0, 1000.0), (1 / 3600, 1e-3), (24.0, 249.08891)]
)
@pytest.mark.parametrize(
    "train", [[], lives(1, 2), lives(2, 15, kinds=2, censored=True), lives(3, 30, kinds=3)]
)
def test_the_forecast_scales_with_the_unit_of_time_and_not_with_that_of_pressure(
    time: float, pressure: float, train: list[Life]
) -> None:
    [life] = lives(77, 1)
    plain = fit_forecaster(train).hours_left(life.hours, life.restriction_pa, terminal_pa=TERMINAL_PA)
    other = scaled(life, time, pressure)
    found = fit_forecaster([scaled(entry, time, pressure) for entry in train]).hours_left(
        other.hours, other.restriction_pa, terminal_pa=other.terminal_pa
    )
    assert found / time == pytest.approx(plain, rel=1e-6, abs=1e-6 * life.hours[-1])


@cache
def taught(by_lives: bool) -> Forecaster:
    """A forecaster that learned nothing, or from twelve lives; fitted by the test that asks it first."""
    return fit_forecaster(lives(4, 12, censored=True) if by_lives else [])


@given(
    st.lists(st.floats(-0.2, 1.5), min_size=1, max_size=60),
    st.lists(st.floats(0, 50), min_size=60, max_size=60),
    st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_any_life_gets_a_finite_forecast_in_order(shares, steps, by_lives):
    hours = np.cumsum(steps[: len(shares)])
    points = taught(by_lives).hours_left(hours, TERMINAL_PA * np.array(shares), terminal_pa=TERMINAL_PA)
    assert points.shape == (len(shares), 3)
    assert np.all(np.isfinite(points))
    assert np.all(points >= 0)
    assert np.all(np.diff(points, axis=1) >= 0)
