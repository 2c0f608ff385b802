"""Acceptance: a sound installation passes, each fault fails its check, nothing passes unseen."""

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import Readings
from cleanside.ingest.restriction.verdict.installation import (
    FAILED,
    NOT_YET_SEEN,
    PASSED,
    Surroundings,
    accept,
    verdict_of,
)

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
SOUND = Surroundings(
    acknowledged=120,
    missing=0,
    clock_uncertainty_s=0.2,
    anchor="gps",
    power_cycles=1,
    terminal_pa=6227.2,
    terminal_as_read="25 inH2O",
    terminal_confirmed=True,
)
NOTHING = Surroundings(
    acknowledged=0,
    missing=0,
    clock_uncertainty_s=None,
    anchor=None,
    power_cycles=0,
    terminal_pa=None,
    terminal_as_read=None,
    terminal_confirmed=False,
)


def fitting(**columns):
    """Key on for a minute, idle for two, high idle for one, idle again: a reading every two seconds."""
    at_s = START_S + 2.0 * np.arange(120, dtype=np.float64)
    second = at_s - START_S
    speed = np.select([second < 60, second < 180, second < 220], [0.0, 78.5, 235.0], 78.5)
    restriction = np.select([speed == 0, speed < 100], [10.0, 350.0], 1900.0)
    rng = np.random.default_rng(3)
    given = {
        "restriction_pa": restriction + rng.normal(0, 15, len(at_s)),
        "engine_speed_rad_s": speed,
        "supply_voltage_v": np.where(speed == 0, 25.1, 27.9) + rng.normal(0, 0.05, len(at_s)),
        # ISO 2533: 84 556 Pa at 1500 m
        "ambient_pressure_pa": np.full(len(at_s), 84_900.0),
        "altitude_m": np.full(len(at_s), 1500.0),
    }
    return Readings(at_s=at_s, **{k: v for k, v in (given | columns).items() if v is not None})


def verdicts(readings, around=SOUND, **changes):
    return {c.check: c for c in accept(readings, dataclasses.replace(around, **changes))}


def test_a_sound_installation_passes_every_check():
    checks = accept(fitting(), SOUND)
    assert {c.check: c.verdict for c in checks} == {c.check: PASSED for c in checks}
    assert verdict_of(checks) == PASSED
    assert all(c.next_step == "" and c.seen for c in checks)


def test_nothing_passes_for_want_of_evidence():
    empty = Readings(at_s=np.empty(0), restriction_pa=np.empty(0))
    checks = accept(empty, NOTHING)
    assert {c.verdict for c in checks} == {NOT_YET_SEEN}
    assert all(c.next_step for c in checks)
    assert verdict_of(checks) == NOT_YET_SEEN


@pytest.mark.parametrize(
    ("check", "column", "change"),
    [
        ("supply voltage", "supply_voltage_v", lambda v, _: v * 0.6),  # neither 12 nor 24 V
        (
            "supply voltage",
            "supply_voltage_v",
            lambda v, i: np.where(i % 5 == 0, v - 4.0, v),
        ),  # loose contact
        ("ambient pressure", "ambient_pressure_pa", lambda v, _: v + 16_425.0),  # reads sea level at 1500 m
        ("zero with the engine off", "restriction_pa", lambda v, _: v + 300.0),
        ("restriction answers the engine", "restriction_pa", lambda v, _: 300.0 + 0 * v),  # tube off
        ("clean level", "restriction_pa", lambda v, _: v * 2.4),
        ("clean level", "restriction_pa", lambda v, _: v * 0.02),
    ],
)
def test_a_fault_fails_its_check_and_says_what_to_do(check, column, change):
    sound = fitting()
    values = change(getattr(sound, column), np.arange(len(sound.at_s)))
    found = verdicts(fitting(**{column: values}))[check]
    assert found.verdict == FAILED
    assert len(found.next_step) > 20


@pytest.mark.parametrize(
    ("check", "changes"),
    [
        ("clock", {"clock_uncertainty_s": None}),
        ("clock", {"clock_uncertainty_s": 7200.0, "anchor": None}),
        ("link", {"missing": 3}),
        ("terminal restriction", {"terminal_pa": 25_000.0, "terminal_as_read": "25 kPa"}),
        ("terminal restriction", {"terminal_pa": 1544.4, "terminal_as_read": "6.2 inH2O"}),
    ],
)
def test_what_clock_link_and_limit_say_is_judged(check, changes):
    assert verdicts(fitting(), **changes)[check].verdict == FAILED


def test_a_limit_waits_for_its_second_reading():
    found = verdicts(fitting(), terminal_confirmed=False)["terminal restriction"]
    assert found.verdict == NOT_YET_SEEN
    assert "second time" in found.next_step


def at_rest(readings):
    """Key on, engine off, a reading every ten seconds."""
    at_s = START_S + 10.0 * np.arange(readings, dtype=np.float64)
    zero = np.zeros(readings)
    return Readings(at_s=at_s, restriction_pa=zero, engine_speed_rad_s=zero, supply_voltage_v=zero + 25.0)


def test_a_permanent_feed_shows_when_readings_go_on_with_the_engine_at_rest():
    assert verdicts(at_rest(400), power_cycles=0)["key-off"].verdict == FAILED
    assert verdicts(at_rest(400), power_cycles=2)["key-off"].verdict == PASSED
    assert verdicts(at_rest(60), power_cycles=0)["key-off"].verdict == NOT_YET_SEEN


def test_what_was_put_right_at_the_machine_passes():
    first, again = fitting(), fitting()
    loose = np.concatenate((first.supply_voltage_v * 0.6, again.supply_voltage_v))
    both = {
        f.name: np.concatenate((getattr(first, f.name), getattr(again, f.name)))
        for f in dataclasses.fields(first)
        if getattr(first, f.name) is not None
    }
    both["at_s"] = np.concatenate((first.at_s, again.at_s + 3600.0))
    assert verdicts(Readings(**(both | {"supply_voltage_v": loose})))["supply voltage"].verdict == PASSED


def test_the_order_of_arrival_does_not_matter():
    readings = fitting()
    shuffled = np.random.default_rng(5).permutation(len(readings.at_s))
    mixed = {
        f.name: getattr(readings, f.name)[shuffled]
        for f in dataclasses.fields(readings)
        if getattr(readings, f.name) is not None
    }
    assert accept(Readings(**mixed), SOUND) == accept(readings, SOUND)


def test_without_engine_speed_nothing_is_said_of_rest_and_high_idle():
    found = verdicts(fitting(engine_speed_rad_s=None))
    assert found["zero with the engine off"].verdict == NOT_YET_SEEN
    assert found["restriction answers the engine"].verdict == NOT_YET_SEEN
