"""The fleet of the forest: its physics by tables and by hand, and what its docstring says of its sensors."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.fleets.forest import MAKES, PROXIES, Generator, _Made, _Physics, risen
from tests.fleets.forest_intake import MOST_BLOCKED
from tests.fleets.forest_sent import SENSORS, _by_change, _followed, _with_play
from tests.fleets.forest_sky import Sky, standard_pa, vapour_pa, viscosity
from tests.fleets.forest_work import EGR, KINDS, Kind, _joined, air_of, egr_of
from tests.fleets.making import START_S, Draft, Span
from tests.fleets.upkeep import Element

SPAN = Span(start_s=START_S, days=110, interval_s=600.0)


@cache
def draft(number: int) -> Draft:
    """Machine of a number; the seed 0 puts the kinds in their order."""
    return Generator(0).draft(number, 28, SPAN, np.random.default_rng([1, number]))


@cache
def sky() -> Sky:
    return Sky.over(SPAN, np.random.default_rng([0, 9_203]))


def physics(number: int = 0) -> _Physics:
    made = draft(number).physics
    assert isinstance(made, _Physics)
    return made


def kind_of(name: str) -> Kind:
    return next(kind for kind in KINDS if kind.name == name)


def plain(make: int = 0) -> Element:
    made = _Made(make=MAKES[make], capacity_h=100.0, clean=1.0, settles=0.0, settles_h=5.0, since_h=0.0)
    return Element(made=made)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(0.0, 101_325.0), (1_000.0, 89_874.6)])
def test_the_air_pressure_is_that_of_the_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    """ISO 2533 (1975), table by geopotential altitude."""
    assert standard_pa(np.array([altitude_m]))[0] == pytest.approx(pressure_pa, rel=2e-4)


@pytest.mark.parametrize(("temperature_c", "pa_s"), [(15.0, 1.7894e-5), (-17.5, 1.628e-5)])
def test_the_viscosity_of_air_is_that_of_the_standard_atmosphere(temperature_c: float, pa_s: float) -> None:
    """ISO 2533 (1975), tables at 0 and at 5,000 m, where it is 15.0 and -17.5 degC."""
    assert viscosity(np.array([temperature_c]))[0] == pytest.approx(pa_s, rel=1e-3)


@pytest.mark.parametrize(("temperature_c", "pa"), [(0.0, 611.2), (10.0, 1_228.2), (20.0, 2_339.3)])
def test_the_vapour_pressure_is_that_of_the_steam_tables(temperature_c: float, pa: float) -> None:
    """Saturation over water: IAPWS-IF97, region 4; 0 degC over supercooled water."""
    assert vapour_pa(np.array([temperature_c]))[0] == pytest.approx(pa, rel=5e-3)


def test_an_engine_draws_what_displacement_filling_and_manifold_say() -> None:
    """
    By hand: 12.4 l, 1500 r/min, 2.5 x 101.325 kPa and 3 + 16 + 22 degC in the manifold, filling 0.8875.
    0.0124 * 1500 / 120 * 0.8875 * 253,312 / (287.05 * 314.15) = 0.3864 kg/s: Heywood (1988) ch. 2.
    """
    one = np.ones(1)
    kiln = kind_of("kiln-set")
    manifold_pa, charge_c, air_kg_s = air_of(kiln, one, one, 101_325.0 * one, 3.0 * one, 0.0 * one)
    assert (manifold_pa[0], charge_c[0]) == (pytest.approx(253_312.5), pytest.approx(41.0))
    assert air_kg_s[0] == pytest.approx(0.3864, rel=1e-3)


def test_the_manifold_holds_its_pressure_uphill_so_that_thin_air_comes_in_greater_volume() -> None:
    """The mass is the same at the sea and at 340 m, where air of one temperature is 0.960 as dense."""
    of, level = kind_of("forwarder"), 0.7 * np.ones(2)
    ambient_pa = standard_pa(np.array([0.0, 340.0]))
    _, _, mass = air_of(of, level, level, ambient_pa, np.full(2, 5.0), np.zeros(2))
    assert mass[0] == pytest.approx(mass[1])
    bare = replace(physics(), duct_pa=1_000.0, medium_pa=0.0, pleats_pa=0.0)
    dense = ambient_pa / ambient_pa[0]
    lost_pa = bare._pa(plain(), np.zeros(2), mass / mass[0], dense, 1.0, bare.duct_pa, None)
    assert lost_pa[1] / lost_pa[0] == pytest.approx(1 / 0.960, rel=2e-3)


def test_without_exhaust_led_back_a_part_load_draws_a_quarter_more_air() -> None:
    """1 / (1 - 0.2): what a cold intake does to the level at one speed and load, beside denser air."""
    half = np.full(1, 0.5)
    assert egr_of(half, half) == pytest.approx(EGR)
    air = [
        air_of(kind_of("forwarder"), half, half, np.full(1, 1e5), half, share)[2][0]
        for share in (egr_of(half, half), np.zeros(1))
    ]
    assert air[1] / air[0] == pytest.approx(1.25, rel=0.03)


@pytest.mark.parametrize(
    ("law", "whole", "power"),
    [("cake", 3.0, 0.0), ("intermediate", np.expm1(1.9), 1.0), ("standard", 3.0, 1.5),
     ("complete", 1 / 0.3 - 1, 2.0)],
)  # fmt: skip
def test_resistance_rises_by_the_laws_of_blocking(law: str, whole: float, power: float) -> None:
    """Hermia (1982): at constant flow dR/dV goes with R to the power 0, 1, 3/2 or 2."""
    x = np.linspace(0.05, 1.1, 200)
    resistance = 1 + whole * risen(law, x)
    slope = np.gradient(resistance, x)[5:-5]
    fitted = np.polyfit(np.log(resistance[5:-5]), np.log(slope), 1)[0]
    assert fitted == pytest.approx(power, abs=0.02)
    assert risen(law, np.ones(1)) == pytest.approx(1.0)


def test_every_make_rises_with_dust_and_a_plain_one_is_at_the_limit_at_capacity() -> None:
    of = physics()
    assert of.dry_pa(plain(), np.array([100.0])) == pytest.approx(of.limit_pa)
    for make in range(len(MAKES)):
        assert np.all(np.diff(of.dry_pa(plain(make), np.linspace(0.0, 160.0, 50))) > 0)


def test_media_lose_with_viscosity_and_volume_and_ducts_with_mass_squared_over_density() -> None:
    """Darcy; Idelchik. Twice the air through medium alone and duct alone, in air half as dense."""
    of = physics()
    medium = replace(of, pleats_pa=0.0)._pa(plain(), np.zeros(2), np.array([1.0, 2.0]), 0.5, 1.1, 0.0, None)
    assert medium == pytest.approx(of.medium_pa * 1.1 * np.array([2.0, 4.0]))
    missing = replace(plain(), resists=0.0)
    duct = of._pa(missing, np.zeros(2), np.array([1.0, 2.0]), 0.5, 1.1, 300.0, None)
    assert duct == pytest.approx([600.0, 2_400.0])


def test_a_screen_that_is_half_covered_loses_four_times_as_much() -> None:
    """1 / (1 - b) squared: Idelchik."""
    of = physics()
    rows = slice(0, 2)
    intake = replace(of.intake, blocked=np.array([0.0, 0.5]), loss=np.zeros(2))
    bare = replace(of, intake=intake, duct_pa=0.0)
    gone = replace(plain(), resists=0.0)
    lost = bare.full_pa(gone, np.zeros(2), rows) * of.engine.dense[rows]
    assert lost[1] / lost[0] == pytest.approx(4.0)


def test_snow_keeps_the_dust_of_the_ground_down_and_early_summer_has_it() -> None:
    """AP-42 section 13.2.2 (2006): none from unpaved roads on days with rain or snow cover."""
    assert sky().dusty[: 20 * 24].max() < 0.01
    assert sky().dusty[75 * 24 : 110 * 24].mean() > 0.1


def test_what_lies_on_a_screen_comes_and_goes_and_never_shuts_it() -> None:
    blocked = [physics(number).intake.blocked for number in range(8)]
    assert max(one.max() for one in blocked) <= MOST_BLOCKED
    assert max(one.max() for one in blocked) > 0.3
    assert all(one.min() < 0.05 for one in blocked)


def test_frost_keeps_engines_idling_through_the_breaks() -> None:
    """The two runs of a morning are one in frost, and the break between them is spent at idle."""
    morning = [(START_S + 7 * 3_600.0, START_S + 9 * 3_600.0), (START_S + 9.5 * 3_600.0, START_S + 4e4)]
    for air_c, runs, idle in ((-15.0, [(morning[0][0], morning[1][1])], 1), (5.0, morning, 0)):
        idles: list[tuple[float, float]] = []
        weather = replace(sky(), temperature_c=np.full(24, air_c), humid=np.ones(24))
        assert _joined(morning, weather, idles) == runs
        assert len(idles) == idle


def test_every_measure_of_flow_and_none_come_equally_often() -> None:
    assert set(Counter(PROXIES).values()) == {3}


def test_the_makes_are_shared_out_fully() -> None:
    assert sum(make.share for make in MAKES) == pytest.approx(1.0)


def test_a_diaphragm_shows_the_way_up_lower_than_the_way_down() -> None:
    up = np.linspace(0.0, 1_000.0, 101)
    shown = _with_play(np.r_[up, up[::-1]], 40.0)
    assert shown[50] == pytest.approx(480.0)
    assert shown[101 + 50] == pytest.approx(520.0)


def test_sending_by_change_leaves_out_what_has_not_moved_and_nothing_for_long() -> None:
    pa = np.r_[np.full(30, 500.0), np.full(5, 700.0)]
    sent = _by_change(pa, 60.0)
    assert sent[0] == 500.0
    assert np.isnan(sent[1:10]).all()
    assert sent[10] == 500.0
    assert sent[30] == 700.0


def test_a_snubber_shows_a_step_as_a_first_order_lag_does() -> None:
    """63.2 % after one time constant: 1 - 1/e."""
    engine = physics().engine
    first = int(np.flatnonzero(np.diff(np.r_[engine.since_s, 0.0]) <= 0)[0]) + 1
    pa = np.r_[0.0, np.full(first - 1, 100.0)]
    step_s = float(np.median(np.diff(engine.at_s)))
    shown = _followed(pa, engine, 2.0 * step_s)
    assert shown[2] == pytest.approx(100.0 * (1 - np.exp(-1.0)), abs=0.1)


@pytest.mark.parametrize("sensor", SENSORS)
def test_steps_are_those_of_the_sensor(sensor: object) -> None:
    """50 Pa a bit where the gauge is that of SAE J1939-71, air filter differential pressure (memory)."""
    number = next(i for i in range(60) if draft(i).notes["sensor"] == sensor.name)  # type: ignore[attr-defined]
    one = draft(number)
    values = one.gauges[0](np.full(one.worked.end, 1_500.0), np.random.default_rng(1))
    name = "intake_pressure" if sensor.is_pair else "restriction"  # type: ignore[attr-defined]
    in_unit = {"kPa": 1_000.0, "Pa": 1.0, "mbar": 100.0, "inH2O": 249.08891}[
        {**one.units, "intake_pressure": "kPa"}[name]
    ]
    pa = values[name][np.isfinite(values[name])] * in_unit
    steps = pa / sensor.step_pa  # type: ignore[attr-defined]
    assert np.abs(steps - np.round(steps)).max() < 1e-6
    assert len(np.unique(np.round(steps))) > 1
