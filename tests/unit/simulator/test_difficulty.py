"""The difficulty file says what the open data say: its fitted numbers are made again here."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from cleanside.simulator.difficulty import read_difficulty
from tests.benchmark.fit_difficulty import bench_shape, field_level, fit_noise, wet_spells

DIFFICULTY = read_difficulty()


@pytest.mark.skipif(
    "CLEANSIDE_DATA" not in os.environ, reason="set CLEANSIDE_DATA to the folder with intake-field"
)
def test_noise_wander_and_wet_spells_are_those_of_the_field_series() -> None:
    """UCI data set 551, doi 10.24432/C5WC95, CC BY 4.0. The file holds two or three digits."""
    level, jumps = field_level(Path(os.environ["CLEANSIDE_DATA"]) / "intake-field")
    noise = fit_noise(level, jumps)
    for name in ("fast", "fast_h", "day_swing", "slow", "slow_h"):
        assert DIFFICULTY["level"][name] == pytest.approx(noise[name], rel=0.03), name
    assert noise["white"] < 1e-4
    assert noise["misfit"] < 0.1
    spells, wet = wet_spells(level), DIFFICULTY["wet_spell"]
    assert wet["per_1000_h"] == pytest.approx(spells["per_1000_h"], rel=0.01)
    assert wet["quantiles"] == list(spells["quantiles"])
    assert wet["hours"] == spells["hours"]
    assert wet["rise"] == spells["rise"]


@pytest.mark.data
def test_the_loading_curve_is_that_of_the_bench() -> None:
    """Mauthe, Braig, Zeiler (ESREL 2022), 100 lives. Lives in the field differ more: not less is asked."""
    shape, loading = bench_shape(), DIFFICULTY["loading"]
    assert loading["power"] == pytest.approx(shape["power"], rel=0.01)
    assert loading["power_spread"] == pytest.approx(shape["power_spread"], rel=0.02)
    assert loading["life_spread"] > shape["length_spread"]
