"""The large fleet: seeded, true to its own curve, with every fault apart from the others."""

from __future__ import annotations

import functools

import numpy as np
import pytest

from cleanside.simulator.difficulty import read_difficulty
from cleanside.simulator.loading import dust_at
from cleanside.simulator.monitor import full_flow_kg_s
from cleanside.simulator.weather import make_place, wander, wet_rise
from cleanside.simulator.year import Year, live, true_hours
from tests.benchmark.fit_difficulty import fit_noise

START_S = 1_798_934_400.0  # 2027-01-03T00:00:00Z
DIFFICULTY = read_difficulty()


@functools.cache
def year(number: int, *, days: int = 120, seed: int = 3) -> Year:
    return live(number, DIFFICULTY, start_s=START_S, days=days, seed=seed, cadence_s=300.0)


def test_the_same_seed_lives_the_same_year_to_the_last_bit_and_another_does_not() -> None:
    again = live(0, DIFFICULTY, start_s=START_S, days=120, seed=3, cadence_s=300.0)
    first = year(0).measured.columns["restriction_pa"]
    assert np.array_equal(first, again.measured.columns["restriction_pa"])
    other = year(0, seed=4).measured.columns["restriction_pa"]
    assert len(other) != len(first) or not np.array_equal(first, other)


@pytest.mark.parametrize("number", range(4))
def test_an_element_is_clean_when_new_and_at_terminal_when_its_hours_are_over(number: int) -> None:
    world = year(number).world
    terminal_pa = world.member.terminal_pa
    reached = 0
    for element in world.elements:
        start, end = dust_at(world.dust, np.array([element.start_h, element.terminal_h]))
        if element.began == "new":
            assert element.level_pa(np.array([start]), terminal_pa)[0] == pytest.approx(element.clean_pa)
        if not np.isnan(element.terminal_h):
            reached += 1
            assert element.level_pa(np.array([end]), terminal_pa)[0] == pytest.approx(terminal_pa, rel=1e-6)
    assert reached > 0


@pytest.mark.parametrize("number", range(4))
def test_loading_is_convex_in_the_dust_met(number: int) -> None:
    for element in year(number).world.elements:
        dust = element.dust_at_start + element.length * np.linspace(0.0, 1.0 - element.used_at_start, 30)
        slopes = np.diff(element.level_pa(dust, 6200.0))
        assert np.all(np.diff(slopes) > 0)


def test_hours_left_run_down_one_by_one_while_an_element_is_in() -> None:
    truth = true_hours(year(1))
    for number in np.unique(truth.element):
        mine = truth.element == number
        left, hours = truth.hours_left[mine], truth.operating_h[mine]
        if not np.isnan(left[0]):
            assert np.allclose(np.diff(left), -np.diff(hours))


def test_the_level_wanders_as_the_file_says_and_the_fit_that_made_the_file_finds_it_again() -> None:
    """30 000 hours, four times the field series: each figure within the fit's own reach of a quarter."""
    noise, random = DIFFICULTY["level"], np.random.default_rng(5)
    rows = np.arange(30_000)
    level = wander(random, len(rows), noise["fast"], noise["fast_h"])
    level += wander(random, len(rows), noise["slow"], noise["slow_h"])
    level += noise["day_swing"] * np.sin(rows / 24 * 2 * np.pi)
    found = fit_noise(level, [])
    for name in ("fast", "fast_h", "day_swing", "slow", "slow_h"):
        assert found[name] == pytest.approx(noise[name], rel=0.25), name
    assert found["white"] < 0.004


def test_wet_spells_come_as_often_and_rise_as_high_as_the_file_says() -> None:
    """What was fitted to the field comes out again: rate, median peak, and the peak one in ten exceeds."""
    wet = DIFFICULTY["wet_spell"]
    spells = [
        spell
        for number in range(40)
        for spell in wet_rise(year(0).member, DIFFICULTY, hours=2000, days=0, seed=number)[1]
    ]
    assert len(spells) / 80.0 == pytest.approx(wet["per_1000_h"], rel=0.15)
    peaks = np.array([peak for _, _, peak in spells])
    assert np.quantile(peaks, [0.5, 0.9]) == pytest.approx([wet["rise"][2], wet["rise"][4]], rel=0.1)


def test_causes_stand_apart_from_each_other_and_from_changes() -> None:
    seen = set()
    for number in range(12):
        world = year(number, days=365).world
        edges = np.array([e.start_h for e in world.elements[1:]])
        for before, after in zip(world.causes, world.causes[1:], strict=False):
            assert after.from_h - before.until_h >= 2 * DIFFICULTY["scoring"]["tail_h"]
        for cause in world.causes:
            seen.add(cause.cause)
            assert not np.any((edges > cause.from_h) & (edges < cause.until_h))
            assert cause.cause != "devices_disagree" or world.member.second_device
    assert seen == set(DIFFICULTY["cause"])


def test_a_reading_is_in_steps_of_the_sensor_and_rests_at_its_zero() -> None:
    """SAE J1939 SPN 107: 0.05 kPa a bit. Off readings stay within zero, wander, noise and half a step."""
    found = year(2)
    pa = found.measured.columns["restriction_pa"]
    assert np.array_equal(pa, np.round(pa / 50.0) * 50.0)
    speed = found.measured.columns["engine_speed_rad_s"]
    hours = np.interp(found.measured.at_s, *(getattr(true_hours(found), n) for n in ("at_s", "operating_h")))
    honest = np.ones(len(hours), dtype=bool)
    for cause in found.world.causes:
        honest &= (hours < cause.from_h - 1) | (hours > cause.until_h + 1)
    assert np.abs(pa[honest & (speed == 0)]).max() <= 60 + 15 + 50 + 25


def test_restriction_at_full_flow_in_the_mean_air_of_its_sites_is_the_true_level() -> None:
    """Readings taken back through the flow law give the element's curve, within the wander of the file."""
    found = next(y for y in map(year, range(50)) if y.member.proxy == "air_mass_flow")
    member, columns = found.member, found.measured.columns
    truth = true_hours(found)
    hours = np.interp(found.measured.at_s, truth.at_s, truth.operating_h)
    flow = columns["air_mass_flow_kg_s"] / full_flow_kg_s(found.world)
    first = found.world.causes[0].from_h if found.world.causes else np.inf
    use = (hours < min(first, 80.0)) & (flow > 0.7) & (found.measured.device == 1)
    hours, flow, columns = hours[use], flow[use], {name: column[use] for name, column in columns.items()}
    density = columns["ambient_pressure_pa"] / (287.05287 * columns["air_temperature_k"])
    density /= np.mean(found.world.place.pressure_pa) / (287.05287 * np.mean(found.world.place.year_k))
    level = columns["restriction_pa"] * density / flow**member.flow_exponent
    ratio = level / np.interp(hours, truth.operating_h, truth.level_pa)
    assert use.sum() > 100
    assert np.median(ratio) == pytest.approx(1.0, abs=0.04)


def test_machines_of_one_site_share_its_weather() -> None:
    one, other = (make_place(year(n).member, DIFFICULTY, start_s=START_S, days=300, seed=3) for n in (0, 1))
    same = one.altitude_m == other.altitude_m
    assert np.array_equal(one.dust[same], other.dust[same])
    assert np.array_equal(one.pressure_pa[same], other.pressure_pa[same])


def test_nothing_arrives_before_it_was_measured_and_backlogs_come_at_the_end_of_a_gap() -> None:
    found = year(5, days=365)
    late = found.measured.arrived_s - found.measured.at_s
    clock_off_s = DIFFICULTY["link"]["clock_off_s"]
    assert late.min() >= -clock_off_s
    assert late.max() > 86_400 or not found.link.gaps
