"""Hourly summaries: what is kept of an hour, and why the engine counts as running."""

import numpy as np
import pytest

from cleanside.ingest.restriction import HourSummary, Readings, summarise_hours
from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from tests.support.hours import summarise_hour

START_S = 1_772_431_200.0  # 2026-03-02T06:00:00Z, the start of an hour


def every(step_s, count, **columns):
    return Readings(at_s=START_S + step_s * np.arange(count), **columns)


def test_an_hour_at_ten_seconds_is_seen_whole_and_counts_its_operating_time():
    speed = np.r_[np.zeros(180), np.full(180, 180.0)]
    [summary] = summarise_hours(
        every(10.0, 360, restriction_pa=np.full(360, 3000.0), engine_speed_rad_s=speed)
    )
    assert summary.hour_s == START_S
    assert summary.seen_share == pytest.approx(1.0)
    assert summary.operating_s == pytest.approx(1800.0)
    assert summary.evidence == "engine_speed"
    assert not summary.thinned


def test_the_engine_off_level_is_learned_only_where_speed_or_voltage_says_off():
    offset = every(10.0, 60, restriction_pa=np.full(60, 40.0), supply_voltage_v=np.full(60, 25.1))
    assert summarise_hour(offset).off_mean_pa == pytest.approx(40.0)
    alone = every(10.0, 60, restriction_pa=np.full(60, 40.0))
    assert summarise_hour(alone).off_mean_pa is None


def test_by_restriction_alone_the_first_reading_after_a_stop_is_kept_for_the_zero():
    """A stop within the hour and one from before it; not where readings go on, or speed says what runs."""
    at_s = START_S + 60.0 * np.r_[np.arange(15, 30), np.arange(45, 60)]
    restriction_pa = np.r_[130.0, np.full(14, 2000.0), 110.0, np.full(14, 2000.0)]
    summary = summarise_hour(Readings(at_s=at_s, restriction_pa=restriction_pa))
    assert summary.off_count == 2
    assert summary.off_mean_pa == pytest.approx(120.0)
    speed = Readings(at_s=at_s, restriction_pa=restriction_pa, engine_speed_rad_s=np.full(30, 180.0))
    assert summarise_hour(speed).off_mean_pa is None
    slow = every(900.0, 4, restriction_pa=np.full(4, 2000.0))
    assert summarise_hour(slow).off_mean_pa is None


@pytest.mark.parametrize(
    ("columns", "evidence", "running"),
    [
        ({"engine_speed_rad_s": 75.0}, "engine_speed", True),
        ({"engine_speed_rad_s": 15.0}, "engine_speed", False),  # cranking
        ({"supply_voltage_v": 27.8}, "supply_voltage", True),
        ({"supply_voltage_v": 13.9}, "supply_voltage", True),
        ({"supply_voltage_v": 24.6}, "supply_voltage", False),  # a resting 24 V battery
        ({"supply_voltage_v": 12.6}, "supply_voltage", False),
        ({"air_mass_flow_kg_s": 0.02}, "air_mass_flow", True),
        ({"air_mass_flow_kg_s": 0.001}, "air_mass_flow", False),  # still air
        ({"air_mass_flow_kg_s": 0.02, "engine_speed_rad_s": 0.0}, "engine_speed", False),
        ({"air_mass_flow_kg_s": 0.02, "supply_voltage_v": 24.6}, "air_mass_flow", True),  # a dead alternator
        ({}, "restriction", False),
    ],
)
def test_running_is_decided_by_the_best_evidence_there_is(columns, evidence, running):
    filled = {name: np.full(30, value) for name, value in columns.items()}
    summary = summarise_hour(every(10.0, 30, restriction_pa=np.full(30, 50.0), **filled))
    assert summary.evidence == evidence
    assert (summary.operating_s > 0) is running
    assert summary.last_running is running


def test_restriction_above_noise_shows_a_running_engine_even_with_a_dead_alternator():
    summary = summarise_hour(
        every(10.0, 30, restriction_pa=np.full(30, 900.0), supply_voltage_v=np.full(30, 24.0))
    )
    assert summary.operating_s == pytest.approx(300.0)


def test_a_coverage_gap_is_not_operating_time():
    at_s = START_S + np.r_[10.0 * np.arange(60), 3000.0 + 10.0 * np.arange(60)]
    summary = summarise_hour(Readings(at_s=at_s, restriction_pa=np.full(120, 2000.0)))
    assert summary.operating_s == pytest.approx(1200.0 + 20.0)  # three steps bridge into the gap
    assert summary.thinned


@pytest.mark.parametrize("apart_s", [0.0, 2.0, 31.0])
def test_two_devices_show_the_time_that_the_engine_ran(apart_s):
    """However near the instants of one lie to those of the other; what both saw counts once."""
    at_s = START_S + np.arange(0, 3600, 60.0)
    both = np.concatenate((at_s, at_s + apart_s))
    speed = np.where(both < START_S + 1800, 200.0, 0.0)
    device = np.repeat([7.0, 12.0], len(at_s))
    [summary] = summarise_hours(
        Readings(at_s=both, restriction_pa=np.full(120, 900.0), engine_speed_rad_s=speed, device=device)
    )
    assert summary.operating_s == pytest.approx(1800.0, abs=60.0)
    assert summary.seen_share == pytest.approx(1.0)
    assert summary.step_s == 60.0
    assert not summary.thinned


def test_a_device_that_takes_over_within_an_hour_adds_its_part():
    at_s = START_S + np.arange(0, 3600, 60.0)
    device = np.where(at_s < START_S + 1200, 7.0, 12.0)
    [summary] = summarise_hours(Readings(at_s=at_s, restriction_pa=np.full(60, 900.0), device=device))
    assert summary.operating_s == pytest.approx(3600.0)


def test_bins_keep_count_mean_and_quantiles_of_each_band_of_flow():
    flow = np.repeat([0.10, 0.20], 100)
    restriction = np.r_[np.linspace(900.0, 1100.0, 100), np.linspace(2900.0, 3100.0, 100)]
    low, high = summarise_hour(every(10.0, 200, restriction_pa=restriction, air_mass_flow_kg_s=flow)).bins
    assert (low.readings, high.readings) == (100, 100)
    assert (low.flow, high.flow) == pytest.approx((0.10, 0.20))
    assert (low.mean_pa, high.mean_pa) == pytest.approx((1000.0, 3000.0))
    assert high.p90_pa == pytest.approx(np.quantile(restriction[100:], 0.9, method="lower"), abs=2.1)
    assert high.highest_pa == pytest.approx(3100.0, abs=0.02)


def test_ambient_minus_intake_pressure_stands_for_restriction():
    summary = summarise_hour(
        every(10.0, 10, ambient_pressure_pa=np.full(10, 84_000.0), intake_pressure_pa=np.full(10, 80_500.0))
    )
    assert summary.bins[0].mean_pa == pytest.approx(3500.0)


def test_all_hours_at_once_equal_each_hour_alone():
    rng = np.random.default_rng(7)
    n = 3000
    columns = {
        "at_s": START_S + np.sort(np.round(rng.uniform(0, 5 * 3600, n), 3)),
        "restriction_pa": rng.uniform(0, 6000, n),
        "engine_speed_rad_s": rng.uniform(0, 220, n),
        "ambient_pressure_pa": rng.normal(90_000, 200, n),
    }
    together = summarise_hours(Readings(**columns))
    hour = np.floor(columns["at_s"] / 3600)
    alone = [
        summarise_hour(Readings(**{k: v[hour == h] for k, v in columns.items()})) for h in np.unique(hour)
    ]
    assert together == alone


def test_no_readings_give_no_summary():
    assert summarise_hours(Readings(at_s=np.empty(0))) == []


def test_a_column_of_another_length_is_named():
    with pytest.raises(WrongInput) as wrong:
        Readings(at_s=np.zeros(3), restriction_pa=np.zeros(2))
    assert (wrong.value.code, wrong.value.values["column"]) == ("shape_differs", "restriction_pa")


def test_a_time_that_is_not_finite_is_refused():
    with pytest.raises(WrongInput) as wrong:
        summarise_hours(Readings(at_s=np.array([np.nan])))
    assert wrong.value.code == "time_not_finite"


def test_a_summary_of_another_version_is_refused_with_the_next_step():
    summary = summarise_hour(every(10.0, 5, restriction_pa=np.full(5, 100.0)))
    with pytest.raises(WrongInput) as wrong:
        HourSummary.from_record({**summary.as_record(), "version": 0})
    assert (wrong.value.code, wrong.value.values["version"]) == ("summary_version", 0)
    assert str(wrong.value).endswith("compute the summary again from its readings")
