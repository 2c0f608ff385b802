"""
One definition of the level for every set of sensors: at the limit's flow, as the site's own gauge shows it.

The truth comes from `tests.support.thin_air`: physics written apart from the analysis, with its sources.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cleanside.ingest.restriction import HousingFacts, Readings, Summaries, assess_housing, summarise_hours
from cleanside.ingest.restriction.measure.reference import at_reference_flow, learn_reference
from tests.support.thin_air import DAYS, PROXIES, Truck, drive, iso_air, joined
from tests.unit.ingest.restriction.measure.test_atmosphere import ISO_2533

WITHIN = {"mass flow": (0.95, 1.05), "boost": (0.95, 1.05), "speed": (0.85, 1.15), "nothing": (0.85, 1.15)}
TERMINAL_PA = 8_000.0


@cache
def truck(altitude_m: float, seed: int) -> Truck:
    return drive(altitude_m, seed=seed)


def shown_pa(readings: Readings) -> float:
    summaries = summarise_hours(readings)
    facts = HousingFacts(terminal_pa=TERMINAL_PA)
    study = assess_housing(summaries, facts, now_s=float(summaries.hours["last_s"][-1])).study
    assert study.restriction_pa is not None
    return study.restriction_pa


@pytest.mark.parametrize(("altitude_m", "kelvin", "pascal", "_density"), ISO_2533)
def test_the_truth_is_driven_in_the_standard_atmosphere(altitude_m, kelvin, pascal, _density):
    assert iso_air(altitude_m) == pytest.approx((pascal, kelvin), rel=1e-5)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("altitude_m", [0.0, 3_500.0])
@pytest.mark.parametrize("ambient", [False, True])
@pytest.mark.parametrize("proxy", PROXIES)
def test_every_set_of_sensors_shows_what_the_sites_own_gauge_shows(proxy, ambient, altitude_m, seed):
    low, high = WITHIN[proxy]
    true = truck(altitude_m, seed)
    assert low <= shown_pa(true.readings(proxy, ambient=ambient)) / true.true_pa <= high


@pytest.mark.parametrize("proxy", PROXIES)
def test_ambient_pressure_moves_the_level_by_no_more_than_weather_does(proxy):
    true = truck(3_500.0, 1)
    without, beside = (shown_pa(true.readings(proxy, ambient=ambient)) for ambient in (False, True))
    assert beside == pytest.approx(without, rel=0.02)


def test_the_limits_flow_as_entered_gives_the_level_at_that_flow():
    true = truck(3_500.0, 1)
    summaries = summarise_hours(true.readings("mass flow", ambient=True))
    reference = learn_reference(summaries, reference_flow=true.full_kg_s, reference_kind="air_mass_flow")
    level = at_reference_flow(summaries, reference).restriction_pa
    assert np.median(level[-8:]) / true.true_pa == pytest.approx(1.0, abs=0.05)


def test_weather_is_evened_out():
    """Over a loading element the level strays less from its own trend with ambient pressure than without."""
    true = truck(0.0, 1)
    strays = []
    for ambient in (False, True):
        summaries = summarise_hours(true.readings("mass flow", ambient=ambient))
        series = at_reference_flow(summaries, learn_reference(summaries))
        trend = np.polynomial.Polynomial.fit(series.hour_s, series.restriction_pa, 3)
        strays.append(float(np.std(series.restriction_pa / trend(series.hour_s))))
    assert strays[1] < 0.8 * strays[0]


@pytest.mark.parametrize("days_before", [12, 23])
@pytest.mark.parametrize("proxy", ["mass flow", "boost"])
def test_a_move_to_thin_air_is_no_step_and_the_level_is_the_new_sites(proxy, days_before):
    """The element loads on from where it was; all hours are then stated in the air of the new site."""
    low, high = drive(0.0, until=days_before / DAYS), drive(3_500.0, begin=days_before / DAYS)
    readings = joined(low, high, proxy)
    summaries = summarise_hours(readings)
    reference = learn_reference(summaries)
    assert reference.site_kg_m3 == pytest.approx(high.site_kg_m3, rel=0.01)
    level = at_reference_flow(summaries, reference).restriction_pa
    moved = 8 * days_before
    step = np.median(level[moved : moved + 8]) / np.median(level[moved - 8 : moved])
    assert step == pytest.approx(1.0, abs=0.08)
    assert shown_pa(readings) / high.true_pa == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("hours_there", [5, 6, 7])
def test_half_a_dozen_hours_after_a_move_the_site_is_one_of_the_two(hours_there):
    """The newest twelve hours are then of both, and their middle is the pressure of neither."""
    low, high = drive(0.0, until=5 / DAYS), drive(3_500.0, begin=5 / DAYS)
    summaries = Summaries.of(summarise_hours(joined(low, high, "mass flow"))[: 8 * 5 + hours_there])
    there = high if hours_there >= 6 else low
    assert learn_reference(summaries).site_kg_m3 == pytest.approx(there.site_kg_m3, rel=0.02)


def test_old_lives_get_no_step_from_the_air_in_which_they_are_stated():
    """The same summaries stated in standard air, as before, and in the site's differ by one factor."""
    true = truck(3_500.0, 1)
    summaries: Summaries = summarise_hours(true.readings("mass flow", ambient=True))
    reference = learn_reference(summaries)
    site = at_reference_flow(summaries, reference).restriction_pa
    standard = at_reference_flow(summaries, replace(reference, site_kg_m3=1.225)).restriction_pa
    np.testing.assert_allclose(standard / site, reference.standard_air_share, rtol=1e-6)
    assert reference.standard_air_share == pytest.approx(true.site_kg_m3 / 1.225, rel=0.01)
