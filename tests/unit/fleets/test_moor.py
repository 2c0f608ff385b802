"""The fleet of the moor: its physics by hand and by tables, and that a third of its machines are sound."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from tests.fleets.making import START_S, Draft, Span, make_fleet
from tests.fleets.moor import MAKES, PROXIES, Generator, _Made, _Physics
from tests.fleets.moor_gauges import SENSORS
from tests.fleets.moor_sky import SEA_PA, Sky, damp_of, standard_pa
from tests.fleets.moor_work import KINDS, SET_AIR, SET_LOAD, Kind, air_of
from tests.fleets.truth import DAY_S, Cause, EntryIs, Fleet, Floats, Work
from tests.fleets.upkeep import Element

PA_IN = {"kPa": 1_000.0, "Pa": 1.0, "mbar": 100.0, "inH2O": 249.08891}
SPAN = Span(start_s=START_S, days=60, interval_s=300.0)


@cache
def drafts() -> dict[str, Draft]:
    """One of each kind, by its name; the seed puts the kinds in order."""
    pen = Generator(0)
    made = [pen.draft(i, 28, SPAN, np.random.default_rng([1, i])) for i in range(len(KINDS))]
    return {draft.kind: draft for draft in made}


@cache
def fleet(seed: int) -> Fleet:
    return make_fleet("moor", machines=14, days=60, seed=seed, interval_s=600.0)


def kind_of(name: str) -> Kind:
    return next(kind for kind in KINDS if kind.name == name)


def physics_of(name: str) -> _Physics:
    physics = drafts()[name].physics
    assert isinstance(physics, _Physics)
    return physics


def element_of(physics: _Physics, make: int = 0, settles: float = 0.0) -> Element:
    whole_pa = (physics.duct_pa + physics.element_pa) * MAKES[make].clean
    clean = (whole_pa - physics.duct_pa) / physics.element_pa
    made = _Made(make=MAKES[make], clean=clean, capacity_h=100.0, settles=settles, since_h=0.0, settles_h=5.0)
    return Element(made=made)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(0.0, 101_325.0), (1_500.0, 84_556.0)])
def test_the_air_pressure_is_that_of_the_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    """ISO 2533 (1975), table by geopotential altitude."""
    assert standard_pa(np.array([altitude_m]))[0] == pytest.approx(pressure_pa, rel=2e-4)


def test_a_natural_aspirate_draws_its_swept_volume_whatever_its_load() -> None:
    """By hand, 4.4 l at 1500 r/min: 0.0044 * 12.5 * 0.9075 * 281/289 = 0.0485 m3/s. Heywood (1988) ch. 2."""
    loads, air_c = np.array([0.0, 0.5, 1.0]), np.full(3, 8.0)
    _, per_s = air_of(kind_of("drain-pump"), np.ones(3), loads, air_c, np.full(3, SEA_PA))
    assert per_s == pytest.approx(np.full(3, 0.0485), rel=0.005)


def test_a_turbocharged_set_draws_by_load_what_load_tables_have() -> None:
    """
    By hand at full load, 12.5 l at 1500 r/min, manifold at 2.4 times ambient and 39 K above it:
    0.0125 * 12.5 * 0.9075 * 2.4 * 281.15/319.95 = 0.299 m3/s. By load: makers' load tables, from memory.
    """
    load, n = np.array(SET_LOAD[:5]), 5
    _, per_s = air_of(kind_of("prime-set"), np.ones(n), load, np.full(n, 8.0), np.full(n, SEA_PA))
    assert per_s[-1] == pytest.approx(0.299, rel=0.005)
    assert per_s / per_s[-1] == pytest.approx(np.array(SET_AIR[:5]), abs=0.06)


def test_overrun_at_speed_draws_less_than_two_thirds_of_the_air_of_full_load() -> None:
    _, per_s = air_of(
        kind_of("dumper"), np.ones(2), np.array([0.0, 1.0]), np.full(2, 8.0), np.full(2, SEA_PA)
    )
    assert per_s[0] < per_s[1] * 2 / 3


@pytest.mark.parametrize("make", range(len(MAKES)))
def test_clean_levels_of_makes_are_a_quarter_apart_and_loading_bends_upward(make: int) -> None:
    """Upward bend of the loading curve to terminal restriction: curves of ISO 5011, from memory."""
    physics = physics_of("dumper")
    plain, element = element_of(physics), element_of(physics, make)
    clean_pa = physics.dry_pa(element, np.zeros(1))[0]
    assert clean_pa == pytest.approx(MAKES[make].clean * physics.dry_pa(plain, np.zeros(1))[0])
    levels = physics.dry_pa(element, np.linspace(40.0, 120.0, 7))
    assert np.all(np.diff(levels, n=2) > 0)


def test_a_plain_element_is_at_the_limit_at_its_capacity() -> None:
    physics = physics_of("dumper")
    assert physics.dry_pa(element_of(physics), np.array([100.0]))[0] == pytest.approx(physics.limit_pa)


def test_what_a_new_medium_adds_in_its_first_hours_is_gone_after_a_day_of_work() -> None:
    physics = physics_of("prime-set")
    rows = np.searchsorted(physics.engine.rows.hours, [0.5, 60.0])
    still = physics.full_pa(element_of(physics), np.zeros(2), rows)
    settling = physics.full_pa(element_of(physics, settles=-0.12), np.zeros(2), rows)
    assert settling[0] < 0.97 * still[0]
    assert settling[1] == pytest.approx(still[1], rel=1e-3)


def test_a_wet_housing_dries_on_top_within_hours_of_work_and_inside_within_days() -> None:
    dry = Sky.over(SPAN, np.random.default_rng(1))
    n = len(dry.rain)
    rains = np.arange(n) < 72
    sky = replace(dry, rain=rains, humidity=np.where(rains, 0.97, 0.6))
    damp = damp_of(sky, np.full(n, 1.0))
    assert damp.quick[71] > 0.6
    assert damp.quick[71 + 6] < 0.1 * damp.quick[71]
    assert damp.slow[71 + 6] > 0.6 * damp.slow[71]
    assert damp.slow[71 + 72] < 0.1 * damp.slow[71]
    stands = damp_of(sky, np.where(np.arange(n) < 72, 1.0, 0.0))
    assert stands.slow[71 + 24] > 0.8 * stands.slow[71]


def test_dust_falls_off_at_stops_only_and_is_drawn_on_again_at_work() -> None:
    many = [physics_of(name) for name in drafts()]
    assert any(physics.shed.max() > 0.03 for physics in many)
    for physics in many:
        at_stops = physics.engine.rows.starts - 1
        at_work = np.setdiff1d(np.arange(len(physics.shed) - 1), at_stops)
        assert physics.shed.max() <= 0.3
        assert np.all(np.diff(physics.shed)[at_work] <= 1e-12)


def test_days_of_a_quarter_of_an_hour_stand_beside_days_of_sixteen() -> None:
    rows = physics_of("chipper").engine.rows
    by_day = np.bincount(((rows.at_s - START_S) // DAY_S).astype(int), weights=rows.step_h)
    assert np.sum((by_day > 0) & (by_day < 0.6)) >= 3
    assert np.sum(by_day > 15.0) >= 3


def test_a_standby_set_is_tested_without_load_each_month_and_carries_load_in_an_outage() -> None:
    """NFPA 110 section 8.4.2 has the month and the 30 minutes; without load: common practice."""
    engine = physics_of("standby-set").engine
    rows = engine.rows
    in_test, in_outage = (rows.running & (rows.task == place) for place in (0, 1))
    test_days = np.unique((rows.at_s[in_test] - START_S) // DAY_S)
    assert np.all(np.diff(test_days) >= 7)
    assert engine.load[in_test].max() < 0.05
    assert engine.load[in_outage].mean() > 0.4


def test_gauges_err_by_a_few_per_cent_and_a_zero_within_their_papers() -> None:
    """1 to 3 % of span, and 2 Pa/K over 40 K: common practice, by the notes of sensor makers."""
    for draft in drafts().values():
        at_s = draft.worked.at_s[: draft.worked.end]
        for gauge in draft.gauges:
            low_pa, high_pa = (
                _mean_pa(gauge(np.full(len(at_s), pa), np.random.default_rng(2)), draft)
                for pa in (1_000.0, 6_000.0)
            )
            assert (high_pa - low_pa) / 5_000.0 == pytest.approx(1.0, abs=0.1)
            assert low_pa == pytest.approx(1_000.0, abs=200.0)


def _mean_pa(values: Mapping[str, Floats], draft: Draft) -> float:
    if "restriction" in values:
        return float(np.nanmean(values["restriction"])) * PA_IN[draft.units["restriction"]]
    return float(np.nanmean(values["ambient_pressure"] - values["intake_pressure"])) * 1_000.0


def test_steps_and_floors_are_those_of_the_sensors() -> None:
    seen = set()
    for i, machine in enumerate(fleet(1).machines):
        sensor = SENSORS[(i + 2) % len(SENSORS)]
        if sensor.is_pair:
            continue
        own = machine.readings[-1]
        if any(fault.cause is Cause.SWAPPED for fault in machine.faults):
            continue
        pa = own.values["restriction"] * PA_IN[own.units["restriction"]]
        pa = pa[np.isfinite(pa)]
        assert np.abs(pa / sensor.step_pa - np.round(pa / sensor.step_pa)).max() < 1e-6
        assert not sensor.is_floored or pa.min() >= 0.0
        seen.add(sensor.step_pa)
    assert {1.0, 50.0, 250.0} <= seen


def test_all_measures_of_flow_and_sets_at_constant_speed_are_there() -> None:
    machines = fleet(1).machines
    assert {machine.proxy for machine in machines} == set(PROXIES)
    assert any(machine.is_constant_speed for machine in machines)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_third_of_the_machines_have_no_fault_and_every_change_entered(seed: int) -> None:
    sound = [
        machine
        for machine in fleet(seed).machines
        if not machine.faults
        and all(change.is_entered for change in machine.changes)
        and all(entry.kind is EntryIs.RIGHT for entry in machine.entries)
        and all(change.work is not Work.SENSOR_EXCHANGED for change in machine.changes)
    ]
    assert 3 * len(sound) >= len(fleet(seed).machines)
    assert sum(len(machine.changes) for machine in sound) >= 3


@pytest.mark.parametrize("seed", [1, 2])
def test_the_others_have_faults_and_changes_that_nobody_entered(seed: int) -> None:
    machines = fleet(seed).machines
    assert sum(len(machine.faults) for machine in machines) >= 4
    elements = (Work.NEW, Work.CLEANED)
    unentered = [c for m in machines for c in m.changes if c.work in elements and not c.is_entered]
    assert len(unentered) >= 3


def test_a_machine_goes_on_with_one_task_for_days_and_then_has_another() -> None:
    rows = physics_of("excavator").engine.rows
    changes = np.flatnonzero(np.diff(rows.task)) + 1
    assert len(changes) >= 2
    for first, second in pairwise(changes):
        assert rows.at_s[second - 1] - rows.at_s[first] > 4 * DAY_S
