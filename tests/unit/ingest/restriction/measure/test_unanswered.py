"""Minutes in which restriction does not follow the engine, as the check of an installation sees them."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction.measure.hours import summarise_hours
from cleanside.ingest.restriction.measure.summary import PackedHour, Readings, Summaries

HOUR_S = 1_772_442_000.0  # the start of an hour
IDLE, HIGH = 78.0, 215.0  # rad/s
SOUND, OFF, STUCK = (100.0, 3_000.0), (0.0, 40.0), (3_100.0, 3_100.0)  # Pa at idle, at high idle


def stretches(*levels: tuple[float, float], step_s: float = 5.0, high_only: bool = False) -> Readings:
    """Five minutes each, half of it at idle and half at high idle, beginning with the hour."""
    many = round(300 / step_s)
    at_high = np.ones(many, dtype=bool) if high_only else np.arange(many) >= many / 2
    pa = [np.where(at_high, high, idle) for idle, high in levels]
    return Readings(
        at_s=np.asarray(HOUR_S + step_s * np.arange(many * len(levels)), dtype=np.float64),
        restriction_pa=np.concatenate(pa),
        engine_speed_rad_s=np.tile(np.where(at_high, HIGH, IDLE), len(levels)),
    )


def last_of(summaries: Summaries) -> tuple[float, float]:
    return float(summaries.hours["unanswered_s"][-1]), float(summaries.hours["unanswered_pa"][-1])


@pytest.mark.parametrize(("level", "shown_pa"), [(OFF, 40.0), (STUCK, 3_100.0)])
def test_a_tube_off_or_a_stuck_sensor_is_known_within_minutes(
    level: tuple[float, float], shown_pa: float
) -> None:
    assert last_of(summarise_hours(stretches(SOUND, SOUND, level, level))) == (600.0, shown_pa)


def test_a_tube_off_at_high_idle_needs_no_idle() -> None:
    assert last_of(summarise_hours(stretches(SOUND, OFF, high_only=True))) == (300.0, 40.0)


@pytest.mark.parametrize("high_only", [False, True])
def test_what_was_put_right_is_answered_again(high_only: bool) -> None:
    since_s, level_pa = last_of(summarise_hours(stretches(SOUND, OFF, SOUND, high_only=high_only)))
    assert np.isinf(since_s)
    assert np.isnan(level_pa)


def test_what_shows_neither_is_not_known() -> None:
    assert np.isnan(last_of(summarise_hours(stretches(SOUND, high_only=True)))[0])
    assert np.isnan(last_of(summarise_hours(stretches(SOUND, step_s=100.0)))[0])
    speedless = Readings(at_s=HOUR_S + np.arange(60.0), restriction_pa=np.full(60, 3_000.0))
    assert np.isnan(last_of(summarise_hours(speedless))[0])


@pytest.mark.parametrize(("bad", "high_only"), [(OFF, False), (STUCK, False), (OFF, True)])
def test_minutes_without_an_answer_count_for_no_level_of_their_hour(
    bad: tuple[float, float], high_only: bool
) -> None:
    sound = summarise_hours(stretches(SOUND, SOUND, high_only=high_only))
    mixed = summarise_hours(stretches(SOUND, bad, SOUND, high_only=high_only))
    for name in ("mean_pa", "p90_pa", "highest_pa", "readings"):
        assert np.array_equal(mixed.bins[name], sound.bins[name]), name


def test_an_hour_that_never_answers_keeps_its_readings() -> None:
    """What has no sound minute is judged as a whole, by the hours before it."""
    made = summarise_hours(stretches(OFF, OFF))
    assert made.bins["readings"].sum() == 120


def test_an_hour_of_an_earlier_release_knows_nothing_of_it() -> None:
    made = summarise_hours(stretches(SOUND, OFF))
    [today] = made.packed()
    before = PackedHour(b"\x03" + today.hour[1:-8], today.bins)
    mixed = Summaries.unpacked([before])
    assert np.isnan(last_of(mixed)[0])
    assert mixed.bins.tobytes() == made.bins.tobytes()
    assert mixed.hours["hour_s"] == made.hours["hour_s"]
