"""The fleet of the quarry leaves the textbook where its docstring says so, and keeps to it elsewhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.fleets.making import START_S, Span
from tests.fleets.quarry import KINDS, MAKES, Generator, Place, _air, _Made, _Physics, _Sky
from tests.fleets.upkeep import Element

SPAN = Span(start_s=START_S, days=20, interval_s=300.0)


def physics(number: int = 0) -> _Physics:
    made = Generator(1).draft(number, 24, SPAN, np.random.default_rng([1, number])).physics
    assert isinstance(made, _Physics)
    return made


@pytest.mark.parametrize(
    ("altitude_m", "pressure_pa"), [(0.0, 101_325.0), (1_000.0, 89_874.6), (3_000.0, 70_108.5)]
)
def test_the_air_pressure_is_that_of_the_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    """ISO 2533 (1975), table by geopotential altitude."""
    place = Place(altitude_m=altitude_m, rains=1.0, mist=0.0)
    sky = _Sky.over(place, SPAN, np.random.default_rng(1), 1)
    assert sky.pressure_pa == pytest.approx(pressure_pa, rel=2e-4)


def test_a_turbo_diesel_draws_what_displacement_boost_and_filling_say() -> None:
    """
    By hand, 15 l at 1900 r/min, pressure ratio 2.6 at sea level, charge air of 78 degC: Heywood (1988), the
    volumetric efficiency of a four-stroke engine. 0.9 * 0.015 * 1900 / 120 * 2.61 kg/m3 = 0.56 kg/s.
    """
    boost, mass_kg_s = _air(KINDS[0], 101_325.0, np.ones(1), np.ones(1), np.array([20.0]))
    assert boost == pytest.approx(2.6)
    assert mass_kg_s == pytest.approx(0.56, rel=0.02)


def test_speed_without_load_draws_far_less_air_than_speed_with_load() -> None:
    _, mass = _air(KINDS[0], 101_325.0, np.ones(2), np.array([0.0, 1.0]), np.full(2, 20.0))
    assert mass[0] < 0.6 * mass[1]


@pytest.mark.parametrize("make", MAKES)
def test_a_loaded_element_rises_faster_with_flow_and_ever_faster_with_dust(make: object) -> None:
    """A compressible cake on an area that closes, on top of a housing that is the same for all."""
    bare = replace(physics(), housing_pa=0.0)
    element = Element(made=_Made(make=make, capacity_h=100.0, clean=1.0))  # type: ignore[arg-type]
    exponents = [
        float(np.diff(np.log([bare._pa(element, np.array([dust]), q, 1.0, 0.0)[0] for q in (0.5, 1.0)]))[0])
        / np.log(2.0)
        for dust in (0.0, 50.0, 100.0)
    ]
    assert exponents[0] == pytest.approx(1.0)
    assert exponents[0] < exponents[1] < exponents[2] < 2.0
    level = bare.dry_pa(element, np.linspace(40.0, 115.0, 6))
    assert np.all(np.diff(level, n=2) > 0)


def test_a_plain_new_element_is_at_the_limit_at_its_capacity() -> None:
    of = physics()
    element = Element(made=_Made(make=MAKES[0], capacity_h=100.0, clean=1.0))
    assert of.dry_pa(element, np.array([100.0])) == pytest.approx(of.limit_pa)


def test_rain_lays_the_dust_and_wets_the_elements_that_work_in_it() -> None:
    """AP-42 section 13.2.2: no dust of unpaved roads on a day with rain."""
    draft = Generator(1).draft(4, 24, SPAN, np.random.default_rng([1, 4]))  # a pump set, which runs in rain
    of = draft.physics
    assert isinstance(of, _Physics)
    sky = Generator(1)._sky(1, SPAN)
    after_rain = np.convolve(sky.rain, np.ones(6))[: len(sky.rain)] >= 4
    assert sky.dust[after_rain].mean() < 0.35 * sky.dust[~after_rain].mean()
    assert of.wet.max() > 0.1
