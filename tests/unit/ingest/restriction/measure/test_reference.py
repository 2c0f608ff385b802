"""Restriction at the reference flow: zero, exponent, density, and what is said where they are not known."""

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import Readings, Summaries, summarise_hours
from cleanside.ingest.restriction.measure.atmosphere import (
    air_density_kg_m3,
    standard_pressure_pa,
    standard_temperature_k,
)
from cleanside.ingest.restriction.measure.exponent import flow_exponent
from cleanside.ingest.restriction.measure.reference import at_reference_flow, learn_reference
from cleanside.ingest.restriction.measure.summary import BIN_TABLE, HOUR_TABLE
from cleanside.ingest.restriction.measure.zero import ZERO_MEMORY, ZERO_PATIENCE, learn_zero

START_S = 1_772_431_200.0


def working(hours=30, *, exponent=1.6, zero_pa=0.0, noise_pa=20.0, level_pa=3000.0, **columns):
    """Mixed work, a reading every 30 s: flow 0.1 to 0.4 kg/s, rated 0.4; off for ten minutes of each hour."""
    rng = np.random.default_rng(3)
    n = 120 * hours
    at_s = START_S + 30.0 * np.arange(n)
    running = (at_s % 3600) >= 600
    flow = np.where(running, rng.uniform(0.1, 0.4, n), np.nan)
    drop = np.where(running, level_pa * (np.where(running, flow, 0.4) / 0.4) ** exponent, 0.0)
    return Readings(
        at_s=at_s,
        restriction_pa=drop + zero_pa + rng.normal(0, noise_pa, n),
        air_mass_flow_kg_s=flow,
        engine_speed_rad_s=np.where(running, 150.0, 0.0),
        **{name: np.full(n, value) for name, value in columns.items()},
    )


@pytest.mark.parametrize("exponent", [1.0, 1.3, 1.617, 1.9])
def test_the_flow_exponent_is_found_from_mixed_work(exponent):
    reference = learn_reference(summarise_hours(working(exponent=exponent)))
    assert reference.basis == "flow"
    assert reference.exponent_fitted
    assert reference.exponent == pytest.approx(exponent, abs=0.03)


def test_restriction_is_reported_at_the_flow_at_which_terminal_is_stated():
    summaries = summarise_hours(working())
    series = at_reference_flow(summaries, learn_reference(summaries, reference_flow=0.4))
    assert np.median(series.restriction_pa) == pytest.approx(3000.0, rel=0.01)
    assert len(series.hour_s) == 30


@pytest.mark.parametrize(
    ("hardest", "least", "most"),
    [((0.995, 1.0), 0.99, 1.0), ((0.75, 1.0), 1.0, 1.1)],
    ids=["it reaches full flow in every hour", "in some hours"],
)
def test_where_the_high_flows_of_hours_scatter_full_flow_lies_beyond_most_of_them(hardest, least, most):
    """Full flow is 0.4 kg/s. An engine that reaches it bunches there; one that seldom does scatters below."""
    readings = working(hours=400)
    hour = ((readings.at_s - START_S) // 3600).astype(int)
    hard = np.random.default_rng(4).triangular(hardest[0], hardest[0], hardest[1], 400)[hour]
    reference = learn_reference(
        summarise_hours(
            dataclasses.replace(
                readings, air_mass_flow_kg_s=np.minimum(1.2 * readings.air_mass_flow_kg_s, 0.4) * hard
            )
        )
    )
    usual = 0.4 * np.quantile(hard, 0.9)
    assert reference.reference_flow is not None
    assert least <= reference.reference_flow / 0.4 <= most
    assert reference.reference_flow >= usual * 0.995


def test_the_zero_is_learned_with_the_engine_off_and_taken_off():
    summaries = summarise_hours(working(zero_pa=180.0))
    reference = learn_reference(summaries, reference_flow=0.4)
    assert reference.zero_known
    assert reference.zero_pa == pytest.approx(180.0, abs=5.0)
    assert np.median(at_reference_flow(summaries, reference).restriction_pa) == pytest.approx(
        3000.0, rel=0.01
    )


@pytest.mark.parametrize("moved", [[], [(300, 420)], [(70, 80), (100, 130), (2500, 5000)]])
def test_the_usual_zero_followed_many_levels_at_once_is_the_one_followed_one_by_one(moved) -> None:
    """Level by level as the docstring has it; faults of some hours and one that stays lie between."""
    hours = np.zeros(5_000, HOUR_TABLE)
    hours["hour_s"], hours["off_count"] = 3600 * np.arange(5_000), 20
    hours["off_mean_pa"] = np.random.default_rng(1).normal(10.0, 20.0, 5_000)
    for first, last in moved:
        hours["off_mean_pa"][first:last] += 600.0
    zero = learn_zero(Summaries(hours, np.empty(0, BIN_TABLE), np.zeros(5_000, np.int64)))
    usual, away, expected = 0.0, 0, []
    for count, level in enumerate(zero.levels_pa.tolist()):
        expected.append(usual)
        if abs(level - usual) <= 60.0:
            usual, away = usual + (level - usual) / min(count + 1, ZERO_MEMORY), 0
        else:
            away += 1
            if away > ZERO_PATIENCE:
                usual, away = level, 0
    assert zero.usual_pa == pytest.approx(np.array(expected), abs=1e-9)


@pytest.mark.parametrize(
    ("off_pa", "zero_pa"),
    [
        pytest.param([*20 * [10.0], 700.0], 20 * [10.0] + [10.0], id="one level is no step"),
        pytest.param([*20 * [10.0], 700.0, 690.0], 20 * [10.0] + 2 * [695.0], id="two that agree are one"),
        pytest.param([*20 * [10.0], 700.0, 300.0], 20 * [10.0] + 2 * [10.0], id="two that do not agree"),
        pytest.param(
            [*20 * [10.0], 2_000.0, 1_990.0], 20 * [10.0] + 2 * [10.0], id="a plugged tap holds more"
        ),
        pytest.param([*20 * [10.0], *9 * [700.0], 20.0], 20 * [10.0] + 9 * [700.0] + [20.0], id="repaired"),
        pytest.param([*20 * [10.0], 400.0, *3 * [700.0]], 21 * [10.0] + 3 * [700.0], id="within an hour"),
        pytest.param([*20 * [10.0], *6 * [700.0]], 20 * [10.0] + 6 * [700.0], id="known for long"),
    ],
)
def test_a_step_of_the_zero_at_a_service_shows_at_the_second_key_on(off_pa, zero_pa) -> None:
    """And its repair at the first, because there the reading at rest is the usual one again."""
    hours = np.zeros(len(off_pa), HOUR_TABLE)
    hours["hour_s"], hours["off_count"] = 3600 * np.arange(len(off_pa)), 20
    hours["off_mean_pa"] = off_pa
    zero = learn_zero(Summaries(hours, np.empty(0, BIN_TABLE), np.zeros(len(off_pa), np.int64)))
    assert zero.by_hour_pa == pytest.approx(np.array(zero_pa), abs=1e-9)


def test_two_readings_at_each_key_on_are_enough_to_learn_the_zero():
    """A slow monitor sees the engine off for a minute only; over some key-ons that is plenty."""
    full = working(zero_pa=180.0)
    kept = (full.at_s % 3600 >= 600) | (full.at_s % 3600 < 60)
    columns = {
        name: getattr(full, name)[kept]
        for name in ("at_s", "restriction_pa", "air_mass_flow_kg_s", "engine_speed_rad_s")
    }
    reference = learn_reference(summarise_hours(Readings(**columns)), reference_flow=0.4)
    assert reference.zero_known
    assert reference.zero_pa == pytest.approx(180.0, abs=10.0)


def test_a_given_mass_flow_through_thin_air_is_reported_as_the_sites_gauge_shows_it():
    """At a given mass flow both parts of the loss go with 1/density (Darcy-Forchheimer in mass flow)."""
    altitude_m = 2500.0
    pressure, kelvin = float(standard_pressure_pa(altitude_m)), float(standard_temperature_k(altitude_m))
    summaries = summarise_hours(working(ambient_pressure_pa=pressure, air_temperature_k=kelvin))
    reference = learn_reference(summaries, reference_flow=0.4)
    assert reference.density == "corrected"
    thin = float(air_density_kg_m3(pressure, kelvin)) / 1.225
    found = np.median(at_reference_flow(summaries, reference).restriction_pa)
    assert found == pytest.approx(3000.0, rel=0.01)
    assert reference.standard_air_share == pytest.approx(thin, rel=1e-3)


def test_without_a_flow_proxy_the_upper_envelope_of_each_hour_stands_in_and_says_so():
    readings = dataclasses.replace(working(), air_mass_flow_kg_s=None, engine_speed_rad_s=None)
    summaries = summarise_hours(readings)
    reference = learn_reference(summaries)
    assert (reference.basis, reference.sure, reference.exponent) == ("envelope", "low", None)
    assert np.median(at_reference_flow(summaries, reference).restriction_pa) == pytest.approx(3000.0, rel=0.2)


def test_too_few_steps_in_flow_leave_the_exponent_assumed_and_say_so():
    readings = working(hours=6)
    steady = dataclasses.replace(
        readings, air_mass_flow_kg_s=np.where(np.isnan(readings.air_mass_flow_kg_s), np.nan, 0.4)
    )
    reference = learn_reference(summarise_hours(steady))
    assert not reference.exponent_fitted
    assert reference.sure == "low"


def test_nothing_seen_gives_basis_none():
    assert learn_reference([]).basis == "none"


def test_the_exponent_resists_a_fifth_of_wild_steps():
    rng = np.random.default_rng(11)
    flow = rng.normal(0, 0.2, 400)
    drop = 1.617 * flow + rng.normal(0, 0.005, 400)
    drop[::5] = rng.normal(0, 1.0, 80)
    fitted, spread = flow_exponent(flow, drop)
    assert fitted == pytest.approx(1.617, abs=0.05)
    assert 0 < spread < 0.1


def test_a_barometer_that_cannot_be_right_does_not_scale_the_restriction():
    """15 kPa off the standard atmosphere is no weather; with it restriction would be a sixth too small."""
    altitude_m = 300.0
    sound = {"altitude_m": altitude_m, "ambient_pressure_pa": float(standard_pressure_pa(altitude_m))}
    levels = []
    for off_pa in (0.0, -15_000.0):
        columns = {**sound, "ambient_pressure_pa": sound["ambient_pressure_pa"] + off_pa}
        summaries = summarise_hours(working(**columns))
        series = at_reference_flow(summaries, learn_reference(summaries, reference_flow=0.4))
        levels.append(float(np.median(series.restriction_pa)))
    assert levels[1] == pytest.approx(levels[0], rel=1e-6)


def test_the_less_is_known_of_full_flow_the_less_sure_is_every_level():
    summaries = summarise_hours(working())
    entered = learn_reference(summaries, reference_flow=0.4).level_spread
    learned = learn_reference(summaries).level_spread
    envelope = learn_reference(
        summarise_hours(dataclasses.replace(working(), air_mass_flow_kg_s=None, engine_speed_rad_s=None))
    ).level_spread
    assert 0.0 < entered < learned < envelope


def turbocharged(*, is_set=False, has_load=True, ratio=2.4, hours=60, seed=5):
    """Speed and load free of each other; the charge goes with the load. Full flow: 3 kPa."""
    rng = np.random.default_rng(seed)
    n = hours * 60
    at_s = START_S + 60.0 * np.arange(n)
    dwell = rng.integers(0, 2**31, n // 5 + 1).repeat(5)[:n]
    speed = np.full(n, 157.0) if is_set else np.array([110.0, 150.0, 190.0, 200.0])[dwell % 4]
    load = (dwell // 4 % 1000) / 1000 * 0.9 + 0.1
    charge = (1.0 + (ratio - 1.0) * load) / ratio
    drop = 3000.0 * (speed / (157.0 if is_set else 200.0) * charge) ** 1.6
    return Readings(
        at_s=at_s,
        restriction_pa=np.round((drop + rng.normal(0, 35, n)) / 50) * 50,
        engine_speed_rad_s=speed + rng.normal(0, 1.0, n),
        engine_load_ratio=np.round(load, 2) if has_load else None,
    )


@pytest.mark.parametrize("ratio", [1.9, 2.4, 2.6])
@pytest.mark.parametrize("is_set", [False, True], ids=["mixed speeds", "constant speed"])
def test_speed_and_load_together_say_the_level_at_full_load(is_set, ratio) -> None:
    """Pressure ratios of 1.9 to 2.6 at full load; the rated speed is entered."""
    summaries = summarise_hours(turbocharged(is_set=is_set, ratio=ratio))
    rated = 157.0 if is_set else 200.0
    reference = learn_reference(summaries, reference_flow=rated, reference_kind="engine_speed")
    assert (reference.flow_kind, reference.reference_entered) == ("speed_load", True)
    level = at_reference_flow(summaries, reference).restriction_pa
    assert np.median(level) == pytest.approx(3000.0, rel=0.04)
    assert np.std(np.log(level)) < 0.04


@pytest.mark.parametrize("is_set", [False, True], ids=["mixed speeds", "constant speed"])
def test_by_engine_speed_alone_the_level_is_that_of_full_load_within_a_shift(is_set) -> None:
    """A mean over light and heavy minutes reads a third lower."""
    summaries = summarise_hours(turbocharged(is_set=is_set, has_load=False))
    rated = 157.0 if is_set else 200.0
    reference = learn_reference(summaries, reference_flow=rated, reference_kind="engine_speed")
    level = at_reference_flow(summaries, reference).restriction_pa
    assert reference.flow_kind == "engine_speed"
    assert np.quantile(level, 0.7) == pytest.approx(3000.0, rel=0.12)
