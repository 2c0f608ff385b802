"""
Sound machines that look faulty: nothing is suspected of them, and what is truly at fault still shows.

Sizes are chosen; where a trade fact stands behind one it is common practice without a source.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import HousingFacts, Readings, assess_housing, summarise_hours
from cleanside.ingest.restriction.measure.summary import FloatArray

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S, STEP_S = 86_400.0, 60.0
LIMIT_PA = 6_200.0
FIRST_H, SHIFT_H = 6.0, 8.0
LEAD_S = 180.0  # the key is on before the engine starts
LIFE_H = 160.0
YARD_S = 900.0


@dataclasses.dataclass(frozen=True, kw_only=True)
class Machine:
    """One machine for some weeks; a new element goes in after `LIFE_H`."""

    clean: float = 0.3  # share of the limit that a clean element reads at full flow
    used: float = 0.2  # of the first element's life that is behind it
    has_speed: bool = True
    has_voltage: bool = True
    boosts: bool = True  # False: an engine without a turbocharger, whose flow goes with the speed alone
    is_set: bool = False  # an engine of one speed, with one load for most of an hour
    steady_from: float = np.inf  # day from which the work is steady
    plugged_from: float = np.inf  # day from which a tap is plugged
    lag_s: float = 0.0  # of a slow gauge: time constant
    missing_from: float = np.inf  # day from which there is no element
    zero_wanders_pa: float = 0.0  # standard deviation from key-on to key-on
    zero_steps_pa: float = 0.0  # on the day below and after it
    zero_steps_from: float = np.inf
    breaks: bool = False  # the engine stands for three minutes in the middle of an hour, twice a shift
    yard_from: float = np.inf  # day from which it is moved about the yard at idle, a quarter of an hour a day
    yard_until: float = np.inf
    days: int = 40
    seed: int = 1

    def readings(self) -> Readings:
        """All that its monitor sends."""
        chance = np.random.default_rng(self.seed)
        day = np.repeat(np.arange(float(self.days)), int((SHIFT_H * 3600 + 2 * LEAD_S) / STEP_S))
        since_s = np.tile(np.arange(len(day) // self.days) * STEP_S, self.days)
        at_s: FloatArray = START_S + day * DAY_S + FIRST_H * 3600 + since_s
        running = (since_s >= LEAD_S) & (since_s < SHIFT_H * 3600 + LEAD_S)
        if self.breaks:
            running &= ~np.isin(since_s // STEP_S, [150, 151, 152, 330, 331, 332])
        in_yard = (day >= self.yard_from) & (day < self.yard_until)
        running &= ~in_yard | (since_s < LEAD_S + YARD_S)
        speed, load = self._work(day, chance)
        speed, load = np.where(in_yard, 0.4, speed), np.where(in_yard, 0.05, load)
        flow = np.where(running, speed * (0.4 + 0.6 * load if self.boosts else 1.0), 0.0)
        hours = np.cumsum(running) * STEP_S / 3600
        pa = self._level(hours) * flow**1.3
        pa = np.where(day >= self.missing_from, 0.3 * self.clean * LIMIT_PA * flow**2, pa)
        pa = np.where(day >= self.plugged_from, 0.45 * LIMIT_PA, pa)
        pa = self._followed(pa, since_s)
        zero = self.zero_wanders_pa * chance.normal(size=self.days)[day.astype(int)]
        zero += np.where(day >= self.zero_steps_from, self.zero_steps_pa, 0.0)
        given: dict[str, FloatArray] = {}
        if self.has_speed:
            given["engine_speed_rad_s"] = np.where(running, 200.0 * speed, 0.0)
            given["engine_load_ratio"] = np.where(running, load, 0.0)
        if self.has_voltage:
            given["supply_voltage_v"] = np.where(running, 27.8, 25.0) + chance.normal(0, 0.05, len(at_s))
        shown = pa + zero + chance.normal(0, 15.0, len(at_s))
        readings = {"at_s": at_s, "restriction_pa": np.round(shown / 10) * 10, **given}
        key_on = ~in_yard | (since_s < LEAD_S + YARD_S + STEP_S)
        return Readings(**{name: column[key_on] for name, column in readings.items()})

    def _level(self, hours: FloatArray) -> FloatArray:
        clean_pa = self.clean * LIMIT_PA
        used = np.where(hours < (1 - self.used) * LIFE_H, hours / LIFE_H + self.used, 0.0)
        used = np.where(used == 0.0, hours / LIFE_H - (1 - self.used), used)
        return np.asarray(clean_pa + (LIMIT_PA - clean_pa) * used**2)

    def _followed(self, pa: FloatArray, since_s: FloatArray) -> FloatArray:
        """What a slow gauge shows: it begins at each key-on with what is there."""
        if not self.lag_s:
            return pa
        shown, share = pa.copy(), 1 - np.exp(-STEP_S / self.lag_s)
        for row in np.flatnonzero(since_s > 0).tolist():
            shown[row] = shown[row - 1] + share * (pa[row] - shown[row - 1])
        return shown

    def _work(self, day: FloatArray, chance: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Speed and load as shares, in states of six minutes."""
        n, rows = len(day), 6
        speed, load, idle = (np.repeat(chance.random(n // rows + 1), rows)[:n] for _ in range(3))
        is_idle, is_steady = idle < (0.2 if self.boosts else 0.05), day >= self.steady_from
        if self.is_set:
            return np.ones(n), np.full(n, 0.6)
        speed = np.where(is_idle, 0.4, 0.6 + 0.4 * speed if self.boosts else 0.9 + 0.1 * speed)
        load = np.where(is_idle, 0.05, 0.25 + 0.75 * load)
        return np.where(is_steady, 0.8, speed), np.where(is_steady, 0.6, load)


def causes(machine: Machine, *, from_day: int = 1, every: int = 3) -> dict[str, int]:
    """How many evenings say which cause."""
    table, found = summarise_hours(machine.readings()), dict[str, int]()
    facts = HousingFacts(terminal_pa=LIMIT_PA)
    for day in range(from_day, machine.days, every):
        now_s = START_S + day * DAY_S + 20 * 3600
        seen = [hour for hour in table if hour.hour_s < now_s]
        for suspicion in assess_housing(seen, facts, now_s=now_s).study.suspicions:
            found[suspicion.cause] = found.get(suspicion.cause, 0) + 1
    return found


@pytest.mark.parametrize("has_speed", [True, False], ids=["speed and load", "nothing"])
def test_a_missing_element_is_seen_all_the_same(has_speed: bool) -> None:
    found = causes(Machine(has_speed=has_speed, missing_from=16), from_day=17)
    assert found["below_clean"] == 8


@pytest.mark.parametrize("has_voltage", [True, False])
def test_steady_work_for_weeks_is_no_plugged_tap(has_voltage: bool) -> None:
    """A machine that pumps spreads as little as a plugged tap, and reads nothing once the engine stops."""
    machine = Machine(has_speed=False, has_voltage=has_voltage, steady_from=20)
    assert causes(machine, from_day=21) == {}


def test_an_engine_that_the_load_does_not_boost_follows_the_flow() -> None:
    """By the usual charge its flow would swing with the load, and restriction hardly follow it."""
    assert causes(Machine(boosts=False)) == {}
    plugged = Machine(boosts=False, plugged_from=20, days=30)
    assert causes(plugged, from_day=22)["flat"] == 3


@pytest.mark.parametrize("has_voltage", [True, False])
def test_a_plugged_tap_reads_on_as_the_engine_stops(has_voltage: bool) -> None:
    machine = Machine(has_speed=False, has_voltage=has_voltage, plugged_from=20, days=34)
    assert causes(machine, from_day=23)["flat"] == 4


@pytest.mark.parametrize("is_set", [True, False], ids=["one speed", "all speeds"])
def test_a_gauge_that_falls_slowly_as_the_engine_stops_is_sound(is_set: bool) -> None:
    """Tubes and a restrictor against pulses make a gauge follow within minutes (common practice)."""
    assert causes(Machine(lag_s=240.0, is_set=is_set)) == {}


def test_a_slow_gauge_that_still_falls_in_a_break_within_an_hour_is_sound() -> None:
    """An hour that begins and ends at work shows no rest at key-on: what it reads at rest follows a stop."""
    assert causes(Machine(lag_s=240.0, breaks=True), from_day=8) == {}


def test_a_machine_moved_about_the_yard_for_two_weeks_is_no_plugged_tap() -> None:
    """At idle for a quarter of an hour a day: what little it spreads within the hour is no flat line."""
    found = causes(Machine(has_speed=False, yard_from=20, yard_until=36), from_day=21, every=1)
    assert "flat" not in found


def test_a_machine_first_seen_in_the_yard_is_asked_about_and_not_suspected() -> None:
    """Where nothing says how hard it works, minutes at idle show no missing element."""
    yard = Machine(has_speed=False, yard_from=0, yard_until=12, used=0.6)
    assert "below_clean" not in causes(yard, from_day=0, every=1)
    gone = Machine(has_speed=False, missing_from=0, days=8)
    assert causes(gone, from_day=0, every=1)["below_clean"] == 8


def test_a_machine_at_work_that_is_moved_about_the_yard_has_no_missing_element() -> None:
    """A quarter of an hour a day for a week reads like a missing element, and is asked about."""
    found = causes(Machine(has_speed=False, used=0.6, yard_from=20, yard_until=28), from_day=20, every=1)
    assert "below_clean" not in found


@pytest.mark.parametrize(("step_pa", "swing", "is_told"), [(250.0, 0.1, False), (10.0, 0.0, True)])
def test_a_gauge_of_coarse_steps_shows_no_flat_line_on_a_clean_element(
    step_pa: float, swing: float, is_told: bool
) -> None:
    """A set that works day and night: a tenth of what a clean element reads is less than a step of it."""
    at_s = START_S + np.arange(0.0, 18 * DAY_S, STEP_S)
    day = (at_s - START_S) // DAY_S
    share = np.where(day < 12, 0.1, swing)
    level_pa = np.where(day < 12, 4_500.0, 750.0) * (1 + share * np.sin(at_s / 200.0))
    noise_pa = np.random.default_rng(1).normal(0, 6.0, len(at_s))
    shown_pa = np.round((level_pa + noise_pa) / step_pa) * step_pa
    volts = np.full(len(at_s), 27.8)
    table = summarise_hours(Readings(at_s=at_s, restriction_pa=shown_pa, supply_voltage_v=volts))
    study = assess_housing(table, HousingFacts(terminal_pa=LIMIT_PA), now_s=at_s[-1]).study
    assert ("flat" in {suspicion.cause for suspicion in study.suspicions}) is is_told


def test_a_zero_of_a_slow_gauge_that_moved_is_said() -> None:
    machine = Machine(lag_s=240.0, zero_steps_pa=-300.0, zero_steps_from=20)
    assert causes(machine, from_day=24)["zero_moved"] == 6


def test_a_slow_gauge_that_answers_less_as_a_rule_shows_no_flat_line() -> None:
    machine = Machine(lag_s=900.0)
    assert causes(machine, from_day=12).get("flat", 0) == 0
    assert causes(dataclasses.replace(machine, plugged_from=20), from_day=24)["flat"] == 6


@pytest.mark.parametrize("machine", [Machine(lag_s=400.0, breaks=True), Machine(lag_s=240.0, is_set=True)])
def test_what_a_slow_gauge_shows_as_the_engine_stops_is_no_moved_zero_from_the_first_day_on(
    machine: Machine,
) -> None:
    """Before five of its stops are known; it reads its zero at each key-on between them."""
    short = dataclasses.replace(machine, breaks=True, days=10)
    assert "zero_moved" not in causes(short, every=1)


def test_a_zero_that_wanders_with_the_warmth_of_its_bay_has_seldom_moved() -> None:
    """
    50 Pa from day to day is half a percent of a span of 10 kPa: total errors are 1 to 2 % (common practice).

    Against 60 Pa whatever the gauge, 14 of these 65 evenings say that it moved.
    """
    told = [causes(Machine(zero_wanders_pa=50.0, seed=seed)) for seed in (1, 2, 3, 4, 5)]
    assert sum(found.pop("zero_moved", 0) for found in told) <= 5
    assert not any(told)


@pytest.mark.parametrize(("wanders_pa", "steps_pa"), [(0.0, 90.0), (30.0, 300.0)])
def test_a_zero_that_moved_further_than_it_wanders_is_said_until_it_is_mended(
    wanders_pa: float, steps_pa: float
) -> None:
    machine = Machine(zero_wanders_pa=wanders_pa, zero_steps_pa=steps_pa, zero_steps_from=20)
    assert causes(machine, from_day=26)["zero_moved"] == 5
