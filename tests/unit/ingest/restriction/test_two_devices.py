"""Two devices on one housing: each has its own zero, one is used; what is in doubt has an age."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Assessment,
    HousingFacts,
    Readings,
    Summaries,
    assess_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.reference import at_reference_flow, learn_reference
from cleanside.ingest.restriction.measure.summary import FloatArray

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S = 86_400.0
DAYS = 80
TERMINAL_PA = 6200.0
ONE, OTHER = 7.0, 12.0


def work(*, seed: int, offset_s: float = 0.0, every_s: float = 120.0) -> Readings:
    """Shifts of eight hours on an element that passes its limit on the last days; mixed flow to 0.4 kg/s."""
    rng = np.random.default_rng(seed)
    a_day = np.arange(5.5 * 3600, 14.5 * 3600, every_s)
    at_s = (START_S + DAY_S * np.arange(DAYS)[:, None] + a_day[None, :] + offset_s).ravel()
    into_day_h = ((at_s - START_S) % DAY_S) / 3600
    running = (into_day_h >= 6) & (into_day_h < 14)
    flow = np.where(running, 0.26 + 0.14 * np.sin(at_s / 700.0), np.nan)
    drop = np.where(running, level_pa(at_s) * (np.nan_to_num(flow, nan=0.4) / 0.4) ** 1.6, 0.0)
    return Readings(
        at_s=at_s,
        restriction_pa=drop + rng.normal(0, 25, len(at_s)),
        air_mass_flow_kg_s=flow,
        engine_speed_rad_s=np.where(running, 180.0, 0.0),
    )


def level_pa(at_s: FloatArray | float) -> FloatArray:
    """The truth, as the first device reads it."""
    return np.asarray(1500.0 + 4900.0 * ((np.asarray(at_s) - START_S) / (DAYS * DAY_S)) ** 2)


def of(readings: Readings) -> FloatArray:
    assert readings.restriction_pa is not None
    return readings.restriction_pa


def both(one: Readings, other: Readings) -> Readings:
    columns = {
        name: np.concatenate((getattr(one, name), getattr(other, name)))
        for name in ("at_s", "restriction_pa", "air_mass_flow_kg_s", "engine_speed_rad_s")
    }
    device = np.repeat([ONE, OTHER], [len(one.at_s), len(other.at_s)])
    return Readings(**columns, device=device)


def two_devices(*, every_s: float = 240.0) -> tuple[Readings, Readings]:
    """The second reads 5 % and 0.12 kPa more, and less often: sound sensors of one housing."""
    other = work(seed=2, offset_s=20.0, every_s=every_s)
    return work(seed=1), dataclasses.replace(other, restriction_pa=1.05 * of(other) + 120.0)


def kept(readings: Readings, keep: np.ndarray) -> Readings:
    given = {f.name: getattr(readings, f.name) for f in dataclasses.fields(readings)}
    return Readings(**{name: column[keep] for name, column in given.items() if column is not None})


def days_of(readings: Readings) -> FloatArray:
    return (readings.at_s - START_S) / DAY_S


def assess(summaries: Summaries) -> Assessment:
    now_s = float(summaries.hours["last_s"][-1]) + 600
    return assess_housing(summaries, HousingFacts(terminal_pa=TERMINAL_PA, reference_flow=0.4), now_s=now_s)


def causes(found: Assessment) -> list[str]:
    return [suspicion.cause for suspicion in found.study.suspicions]


def shown_over_true(summaries: Summaries) -> FloatArray:
    """Of each operating hour."""
    table = carry_on(summaries).table
    series = at_reference_flow(table, learn_reference(table, reference_flow=0.4))
    return np.asarray(series.restriction_pa / level_pa(series.hour_s + 1800.0))


def test_devices_a_few_percent_and_a_zero_apart_agree_and_the_limit_passed_is_said() -> None:
    summaries = summarise_hours(both(*two_devices()))
    for days in (10, 40, 80):
        found = assess(first_days(summaries, days))
        assert causes(found) == []
    assert found.state == "over"
    assert found.study.restriction_pa == pytest.approx(float(level_pa(START_S + DAYS * DAY_S)), rel=0.03)


def first_days(summaries: Summaries, days: int) -> Summaries:
    """As the summaries stood then."""
    rows = int(np.searchsorted(summaries.hours["hour_s"], START_S + days * DAY_S))
    bins = summaries.bins[: summaries.bin_starts[rows]]
    return Summaries(summaries.hours[:rows], bins, summaries.bin_count[:rows], summaries.parts[:rows])


@pytest.mark.parametrize("away", [(30, 34), (0, 12)])
def test_where_one_device_is_away_the_other_stands_in_without_a_step(away: tuple[int, int]) -> None:
    one, other = two_devices()
    days = days_of(one)
    summaries = summarise_hours(both(kept(one, (days < away[0]) | (days >= away[1])), other))
    ratio = shown_over_true(summaries)
    assert ratio == pytest.approx(1.05 if away[0] == 0 else 1.0, abs=0.05)  # the first to work leads
    assert ratio[8 * away[1] :].mean() == pytest.approx(ratio[8 * away[0] : 8 * away[1]].mean(), abs=0.01)
    assert assess(summaries).study.changes_found_s == ()


@pytest.mark.parametrize("faulty", [0, 1])
def test_of_two_that_disagree_the_analysis_follows_the_one_that_reads_as_before(faulty: int) -> None:
    """For 40 days one has lost half of its span; the element passes its limit meanwhile, and that is said."""
    pair = list(two_devices())
    lost = days_of(pair[faulty]) >= 40
    pair[faulty] = dataclasses.replace(
        pair[faulty], restriction_pa=of(pair[faulty]) * np.where(lost, 0.5, 1.0)
    )
    summaries = summarise_hours(both(*pair))
    found = assess(summaries)
    assert causes(found) == ["devices_disagree"]
    assert carry_on(summaries).is_clear
    assert shown_over_true(summaries) == pytest.approx(1.0, abs=0.06)
    assert found.state == "over"
    assert found.study.hours_in_doubt == 0.0
    assert found.study.changes_found_s == ()


@pytest.mark.parametrize("off", [ONE, OTHER])
def test_a_tube_off_one_of_two_shows_where_restriction_alone_says_that_the_engine_works(off: float) -> None:
    """The device with its tube off never shows the engine at work; beside the other it reads nothing."""
    readings = both(*two_devices())
    device, days = readings.device, days_of(readings)
    assert device is not None
    is_off = (device == off) & (days >= 60)
    bare = Readings(at_s=readings.at_s, restriction_pa=np.where(is_off, 2.0, of(readings)), device=device)
    summaries = summarise_hours(bare)
    assert causes(assess(first_days(summaries, 60))) == []
    found = assess(first_days(summaries, 62))
    assert "devices_disagree" in causes(found)
    assert found.study.restriction_pa == pytest.approx(float(level_pa(START_S + 62 * DAY_S)), rel=0.15)


def test_a_level_in_doubt_says_of_when_it_is() -> None:
    """The tap is plugged for the last five days: what was read since then is not the level of now."""
    one = work(seed=1)
    plugged = days_of(one) >= 75
    stuck = np.where(plugged, 3000.0 + np.random.default_rng(3).normal(0, 25, len(plugged)), of(one))
    found = assess(summarise_hours(dataclasses.replace(one, restriction_pa=stuck)))
    assert "flat" in causes(found)
    assert found.study.restriction_s is not None
    assert START_S + 74 * DAY_S < found.study.restriction_s < START_S + 76 * DAY_S
    assert found.study.hours_in_doubt == pytest.approx(5 * 8, abs=8)
    assert found.study.newest_in_doubt is not None
    assert found.study.newest_in_doubt.at_s == pytest.approx(float(one.at_s[-1]), abs=3600)
    sound = assess(summarise_hours(one))
    assert sound.study.restriction_s == pytest.approx(float(one.at_s[-1]), abs=3600)
    assert sound.study.hours_in_doubt == 0.0
    assert sound.study.newest_in_doubt is None


def test_a_level_before_hours_without_an_element_has_its_own_time() -> None:
    """The element is out for the last five days: the level, its time and the hours since then agree."""
    one = work(seed=1)
    out = days_of(one) >= 75
    empty = np.where(out, 0.05 * of(one), of(one))
    found = assess(summarise_hours(dataclasses.replace(one, restriction_pa=empty)))
    assert "below_clean" in causes(found)
    study = found.study
    assert study.restriction_s is not None
    assert START_S + 74 * DAY_S < study.restriction_s < START_S + 76 * DAY_S
    assert study.hours_in_doubt == pytest.approx(5 * 8, abs=8)
    assert study.newest_in_doubt is not None
    assert study.newest_in_doubt.at_s == pytest.approx(float(one.at_s[-1]), abs=3600)
    assert study.restriction_pa is not None
    assert study.newest_in_doubt.restriction_pa < 0.2 * study.restriction_pa


def test_what_each_device_saw_goes_through_the_packed_form_and_late_hours() -> None:
    summaries = summarise_hours(both(*two_devices()))
    packed, parts = summaries.packed(), summaries.parts
    early = Summaries.unpacked(packed[::2], parts[::2])
    whole = early.patched(Summaries.unpacked(packed[1::2], parts[1::2]))
    assert whole.parts == parts
    alone = whole.of_devices()
    assert sorted(alone) == [7, 12]
    first, second = two_devices()
    assert alone[7] == summarise_hours(first)
    assert alone[12] == summarise_hours(second)


def test_an_hour_of_one_device_keeps_its_number_alone() -> None:
    one, other = two_devices()
    late = kept(other, days_of(other) >= 1)
    parts = summarise_hours(both(one, late)).parts
    assert len({len(part) for part in parts[:8]}) == 1
    assert len(parts[0]) < 16 < len(parts[-1])
