"""Faults that look like each other: a plugged tap, a moved zero, a torn element, and what looks like one."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    HousingFacts,
    Readings,
    Summaries,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.zero import ZERO_PATIENCE, _usual, learn_zero
from tests.support.hours import summarise_hour

HOUR_S = 3600.0


def readings(
    hours: int,
    *,
    level_pa: np.ndarray,
    zero_pa: np.ndarray | None = None,
    stuck: np.ndarray | None = None,
    flow: bool = True,
) -> Readings:
    """
    A reading a minute of `hours` working hours; the first of each hour is key-on with the engine off.

    level_pa : restriction at full flow of each hour. zero_pa : the sensor's zero in it. stuck : the hours in
    which the tap holds half the full-flow level, at rest too.
    """
    rows = np.arange(hours * 60)
    hour = rows // 60
    flow_ratio = np.array([0.4, 0.6, 0.8, 0.9, 1.0, 1.0])[(rows // 4) % 6]
    off = rows % 60 == 0
    drop = np.where(off, 0.0, level_pa[hour] * flow_ratio**1.6)
    if stuck is not None:
        drop = np.where(stuck[hour], 0.5 * level_pa[hour] + 0.03 * drop, drop)
    if zero_pa is not None:
        drop = drop + zero_pa[hour]
    volts = np.where(off, 24.3, 27.8)
    speed = np.where(off, 0.0, 200.0 * flow_ratio)
    return Readings(
        at_s=np.asarray(rows * 60.0, dtype=np.float64),
        restriction_pa=np.round(drop / 50.0) * 50.0,
        engine_speed_rad_s=speed if flow else None,
        air_mass_flow_kg_s=np.where(off, 0.0, 0.3 * flow_ratio) if flow else None,
        supply_voltage_v=volts,
    )


def causes(readings_: Readings, *, until_hour: int | None = None) -> set[str]:
    summaries = summarise_hours(readings_)
    if until_hour is not None:
        summaries = Summaries.of([s for s in summaries if s.hour_s < until_hour * HOUR_S])
    return {s.cause for s in study_housing(summaries, HousingFacts(terminal_pa=6200.0)).study.suspicions}


def test_a_plugged_tap_is_reported_though_it_holds_its_pressure_at_key_on_too() -> None:
    """Its pressure at rest looks like a zero; against that zero the answer to the engine would look whole."""
    level, hour = np.full(160, 3000.0), np.arange(160)
    assert causes(readings(160, level_pa=level)) == set()
    assert "flat" in causes(readings(160, level_pa=level, stuck=hour >= 120))


def test_after_a_plugged_tap_is_freed_and_a_zero_is_mended_nothing_is_said() -> None:
    """What the sensor read at rest meanwhile has not become its usual zero."""
    level, hour = np.full(260, 3000.0), np.arange(260)
    faulty = (hour >= 80) & (hour < 190)
    freed = readings(260, level_pa=level, stuck=faulty)
    mended = readings(260, level_pa=level, zero_pa=np.where(faulty, 800.0, 0.0))
    assert "zero_moved" in causes(mended, until_hour=150)
    assert causes(freed) == causes(mended) == set()


def test_a_monitor_that_reads_far_from_0_at_rest_from_the_start_is_reported() -> None:
    level = np.full(60, 3000.0)
    assert causes(readings(60, level_pa=level, zero_pa=np.full(60, -900.0))) == {"zero_moved"}


@pytest.mark.parametrize("step_pa", [-90.0, 90.0])
def test_a_small_step_of_zero_is_reported_until_it_is_mended(step_pa: float) -> None:
    """One and a half percent of the limit: it does not become the usual zero within days."""
    hour = np.arange(260)
    stepped = readings(260, level_pa=np.full(260, 3000.0), zero_pa=np.where(hour >= 80, step_pa, 0.0))
    assert causes(readings(260, level_pa=np.full(260, 3000.0))) == set()
    assert all(causes(stepped, until_hour=until) == {"zero_moved"} for until in (100, 180, 260))


def test_the_usual_zero_follows_drift_leaves_out_a_fault_and_takes_what_stays() -> None:
    drift = np.linspace(0.0, 120.0, 200)
    assert np.abs(_usual(drift)[50:] - drift[50:]).max() < 30.0
    fault = np.where((np.arange(100) >= 40) & (np.arange(100) < 60), 700.0, 10.0)
    assert np.abs(_usual(fault) - 10.0).max() <= 10.0
    for_good = np.where(np.arange(ZERO_PATIENCE + 100) >= 40, 700.0, 10.0)
    assert _usual(for_good)[40 + ZERO_PATIENCE + 2] == pytest.approx(700.0)


def test_the_first_change_of_a_machine_whose_clean_level_nobody_knows_is_no_torn_element() -> None:
    """It was loaded when first seen: a new element has a quarter of what it read."""
    level = np.concatenate((np.linspace(4800.0, 5600.0, 90), np.full(12, 1300.0)))
    assert "below_clean" not in causes(readings(102, level_pa=level))


def test_without_a_flow_proxy_a_light_shift_is_no_torn_element_but_a_tube_off_is() -> None:
    usual = np.full(150, 2400.0)
    light = np.where(np.arange(150) >= 130, 0.5, 1.0)
    assert causes(readings(150, level_pa=usual * light, flow=False)) == set()
    off = np.where(np.arange(150) >= 130, 0.1, 1.0)
    assert "below_clean" in causes(readings(150, level_pa=usual * off, flow=False))


def test_by_engine_speed_alone_a_light_shift_is_no_torn_element_but_a_deeper_fall_is() -> None:
    """At the same speed a turbocharged engine takes less air under light load; an air mass flow shows it."""

    def late(factor: float) -> Readings:
        return readings(150, level_pa=2400.0 * np.where(np.arange(150) >= 130, factor, 1.0))

    def by_speed(given: Readings) -> set[str]:
        return causes(dataclasses.replace(given, air_mass_flow_kg_s=None))

    assert "below_clean" in causes(late(0.28))
    assert by_speed(late(0.28)) == set()
    assert "below_clean" in by_speed(late(0.2))


def test_a_moved_zero_does_not_let_a_standing_engine_run_where_the_battery_rests() -> None:
    at_s = 60.0 * np.arange(10, dtype=np.float64)
    rest = Readings(at_s=at_s, restriction_pa=np.full(10, 900.0), supply_voltage_v=np.full(10, 24.5))
    summary = summarise_hour(rest)
    assert summary.operating_s == 0.0
    assert summary.off_mean_pa == pytest.approx(900.0)


def restriction_alone(days: int, *, key_on_pa: Sequence[float], zero_pa: Sequence[float]) -> Readings:
    """
    A reading a minute in two spans of four hours a day, with nothing else; a new element after 40 spans.

    key_on_pa : what the first three readings of each span show beside the zero. zero_pa : of each span.
    """
    minute, made = np.arange(240), []
    ratio = np.array([0.4, 0.6, 0.8, 0.9, 1.0, 1.0])[(minute // 4) % 6]
    for span in range(2 * days):
        at_s = 86_400.0 * (span // 2) + 60.0 * (370 + 300 * (span % 2) + minute)
        at_work_pa = (1_600.0 + 60.0 * (span % 40)) * ratio**1.6
        shown_pa = np.where(minute < 3, key_on_pa[span], at_work_pa) + zero_pa[span]
        made.append(np.stack((at_s, np.round(shown_pa / 10.0) * 10.0)))
    at_s, restriction_pa = np.concatenate(made, axis=1)
    return Readings(at_s=at_s, restriction_pa=restriction_pa)


@pytest.mark.parametrize("step_pa", [-150.0, 110.0, 600.0])
def test_a_zero_that_moves_shows_at_key_on_where_restriction_alone_is_sent(step_pa: float) -> None:
    """Told from the second key-on on until it is mended."""
    zero_pa = [*30 * [0.0], *20 * [step_pa], *10 * [0.0]]
    faulty, begun_h = restriction_alone(30, key_on_pa=60 * [0.0], zero_pa=zero_pa), 15 * 24
    assert causes(faulty, until_hour=begun_h) == set()
    assert all(causes(faulty, until_hour=begun_h + more) == {"zero_moved"} for more in (24, 120, 239))
    assert causes(faulty) == set()


@pytest.mark.parametrize("runs_every", [1, 2])
def test_what_an_engine_reads_that_runs_at_key_on_is_no_zero(runs_every: int) -> None:
    """At idle it rises with the element, and falls with the next one."""
    key_on_pa = [30.0 + 5.0 * (span % 40) if span % runs_every == 0 else 0.0 for span in range(60)]
    given = restriction_alone(30, key_on_pa=key_on_pa, zero_pa=60 * [0.0])
    assert not learn_zero(summarise_hours(given)).known
    assert "zero_moved" not in causes(given)


def test_without_a_flow_proxy_a_deep_fall_that_lasts_is_a_change_and_a_light_week_is_none() -> None:
    """Loaded to 3 of 6.2 kPa, then new; and the same machine at half its level for a week, then back."""
    loading = np.linspace(1500.0, 3000.0, 200)
    changed = np.concatenate((loading, np.linspace(1400.0, 2000.0, 150)))
    light = np.concatenate((loading, np.full(50, 1500.0), np.linspace(3000.0, 3400.0, 100)))
    for level, lives in ((changed, 2), (light, 1)):
        summaries = summarise_hours(readings(len(level), level_pa=level, flow=False))
        assert len(study_housing(summaries, HousingFacts(terminal_pa=6200.0)).study.lives) == lives


def test_where_nothing_but_restriction_is_measured_a_tube_off_is_no_standing_engine() -> None:
    """Neither speed nor voltage: for a shift the key is on and restriction reads nothing."""
    usual = np.where(np.arange(160) >= 150, 0.0, 2400.0)
    given = dataclasses.replace(readings(160, level_pa=usual, flow=False), supply_voltage_v=None)
    assert "below_clean" in causes(given)
    assert causes(given, until_hour=150) == set()
    assert causes(given, until_hour=153) == set()  # a technician left the key on


def test_a_tube_off_on_a_machine_that_works_in_short_spells_is_no_standing_engine_either() -> None:
    """A pump that a float starts: the key is on for ten minutes, for forty, and so on."""
    usual = np.where(np.arange(160) >= 130, 0.0, 2400.0)
    given = dataclasses.replace(readings(160, level_pa=usual, flow=False), supply_voltage_v=None)
    minute = given.at_s // 60 % 60
    spell = minute < np.where(given.at_s // HOUR_S % 2 == 0, 10, 40)
    pump = dataclasses.replace(given, at_s=given.at_s[spell], restriction_pa=given.restriction_pa[spell])  # type: ignore[index]
    assert "below_clean" in causes(pump)
    assert causes(pump, until_hour=130) == set()
    assert causes(pump, until_hour=134) == set()
