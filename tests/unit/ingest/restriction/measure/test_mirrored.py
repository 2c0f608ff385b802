"""A gauge whose tubes were exchanged reads minus the restriction: told, and judged with the sign turned."""

from __future__ import annotations

import dataclasses
import random

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    HousingFacts,
    Readings,
    Study,
    Summaries,
    study_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.mirrored import righted
from cleanside.ingest.restriction.measure.summary import DAY_S, FloatArray

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z, a Monday
DAYS = 24
SWAPPED = (12.0, 20.0)  # days
CHANGED = 16.0
CLEAN_PA, LOADED_PA, TERMINAL_PA = 1500.0, 4200.0, 6200.0


def worked(*, proxy: bool = True, rests: bool = True, seed: int = 5) -> tuple[FloatArray, Readings]:
    """Shifts of eight hours with a change on day CHANGED: the days of the readings, and these."""
    rng = np.random.default_rng(seed)
    minutes = np.arange(350 if rests else 361, 850 if rests else 839)
    at_s = (START_S + DAY_S * np.arange(DAYS)[:, None] + 60.0 * minutes[None, :]).ravel()
    running = ((at_s - START_S) % DAY_S >= 360 * 60) & ((at_s - START_S) % DAY_S < 840 * 60)
    flow = np.where(running, rng.uniform(0.12, 0.4, len(at_s)), 0.0)
    days = (at_s - START_S) / DAY_S
    level = np.where(days < CHANGED, np.linspace(2000.0, LOADED_PA, len(at_s)), CLEAN_PA)
    drop = level * (flow / 0.4) ** 1.6
    readings = Readings(
        at_s=at_s,
        restriction_pa=drop + rng.normal(0, 25, len(at_s)),
        air_mass_flow_kg_s=np.where(running, flow, np.nan) if proxy else None,
        engine_speed_rad_s=np.where(running, 180.0, 0.0) if proxy else None,
        supply_voltage_v=np.where(running, 28.2, 24.5),
    )
    return days, readings


def with_swapped_ports(days: FloatArray, readings: Readings, until: float = SWAPPED[1]) -> Readings:
    assert readings.restriction_pa is not None
    sign = np.where((days >= SWAPPED[0]) & (days < until), -1.0, 1.0)
    return dataclasses.replace(readings, restriction_pa=sign * readings.restriction_pa)


def studied(readings: Readings) -> Study:
    facts = HousingFacts(terminal_pa=TERMINAL_PA, reference_flow=0.4, reference_kind="air_mass_flow")
    return study_housing(summarise_hours(readings), facts).study


def first_days(readings: Readings, days: FloatArray, until: float) -> Readings:
    keep = days < until
    columns = {f.name: getattr(readings, f.name) for f in dataclasses.fields(readings)}
    return dataclasses.replace(readings, **{name: of[keep] for name, of in columns.items() if of is not None})


@pytest.mark.parametrize("proxy", [True, False])
def test_while_it_lasts_it_is_a_suspicion_of_its_own_and_ends_with_the_repair(proxy: bool) -> None:
    days, readings = worked(proxy=proxy)
    swapped = with_swapped_ports(days, readings)
    during = studied(first_days(swapped, days, 15.0))
    [suspicion] = during.suspicions
    assert suspicion.cause == "ports_swapped"
    assert abs(suspicion.evidence.values["from_s"] - (START_S + SWAPPED[0] * DAY_S)) < DAY_S
    assert studied(swapped).suspicions == ()


def test_a_change_meanwhile_is_dated_as_if_the_gauge_had_read_rightly() -> None:
    days, readings = worked()
    sound, swapped = studied(readings), studied(with_swapped_ports(days, readings))
    assert len(sound.changes_found_s) == 1
    assert swapped.changes_found_s == sound.changes_found_s
    assert swapped.restriction_pa == pytest.approx(sound.restriction_pa, rel=0.02)


def test_without_a_measure_of_flow_the_high_readings_follow_from_the_mean() -> None:
    days, readings = worked(proxy=False)
    swapped = first_days(with_swapped_ports(days, readings), days, 15.0)
    assert studied(swapped).restriction_pa == pytest.approx(
        studied(first_days(readings, days, 15.0)).restriction_pa, rel=0.12
    )


@pytest.mark.parametrize("rests", [True, False])
@pytest.mark.parametrize("moved_pa", [-600.0, -2500.0])
def test_a_zero_that_moved_down_is_none(moved_pa: float, rests: bool) -> None:
    days, readings = worked(rests=rests)
    assert readings.restriction_pa is not None
    moved = readings.restriction_pa + np.where(days >= SWAPPED[0], moved_pa, 0.0)
    table = summarise_hours(dataclasses.replace(readings, restriction_pa=moved))
    assert not righted(table).hours.any()


@pytest.mark.parametrize("stuck_pa", [-900.0, -3000.0, 0.0])
def test_a_sensor_that_stays_below_zero_is_none(stuck_pa: float) -> None:
    days, readings = worked()
    assert readings.restriction_pa is not None
    noise = np.random.default_rng(1).normal(0, 25, len(days))
    stuck = np.where(days >= SWAPPED[0], stuck_pa + noise, readings.restriction_pa)
    assert not righted(summarise_hours(dataclasses.replace(readings, restriction_pa=stuck))).hours.any()


def test_sound_hours_stay_as_they_are() -> None:
    table = summarise_hours(worked()[1])
    assert righted(table).table is table


def test_the_order_of_arrival_does_not_matter() -> None:
    days, readings = worked()
    hours = list(summarise_hours(with_swapped_ports(days, readings)))
    facts = HousingFacts(terminal_pa=TERMINAL_PA)
    known = study_housing(Summaries.of(hours), facts).study
    random.Random(3).shuffle(hours)
    assert study_housing(hours, facts).study == known
