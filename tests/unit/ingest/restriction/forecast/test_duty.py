"""From operating hours to the calendar: the weekly rhythm, idle days, and the spread of duty."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from cleanside.ingest.restriction import Readings, summarise_hours
from cleanside.ingest.restriction.forecast.duty import Duty, due_dates_s, learn_duty, worked_off_s
from cleanside.ingest.restriction.forecast.prior import Z90
from cleanside.ingest.restriction.measure.summary import DAY_S

MONDAY_S = datetime(2026, 3, 2, tzinfo=UTC).timestamp()


def weeks_of_work(weeks: int, *, days: tuple[int, ...] = (0, 1, 2, 3, 4), seed: int = 1) -> Readings:
    """A shift of about eight hours from 06:00 UTC on these weekdays (0 = Monday), a reading a minute."""
    rng = np.random.default_rng(seed)
    minutes = [
        MONDAY_S + (7 * week + day) * DAY_S + 6 * 3600 + 60.0 * np.arange(int(rng.integers(420, 540)))
        for week in range(weeks)
        for day in days
    ]
    at_s = np.concatenate(minutes)
    return Readings(
        at_s=at_s, restriction_pa=np.full(len(at_s), 2000.0), engine_speed_rad_s=np.full(len(at_s), 180.0)
    )


def five_days() -> Duty:
    return learn_duty(summarise_hours(weeks_of_work(8)))


def weekday(at_s: float) -> int:
    return datetime.fromtimestamp(at_s, UTC).weekday()


def test_duty_is_the_mean_over_whole_weeks_with_its_rhythm() -> None:
    duty = five_days()
    assert duty.hours_per_day == pytest.approx(8.0 * 5 / 7, rel=0.05)
    by_day = np.array(duty.rhythm).reshape(7, 24).sum(axis=1)
    assert by_day.sum() == pytest.approx(1.0)
    assert by_day[:5].min() > 5 * by_day[5:].max()
    assert np.array(duty.rhythm).reshape(7, 24)[:, :6].sum() == 0.0  # no shift begins before six


def test_hours_are_worked_off_on_working_days_in_working_hours() -> None:
    duty = five_days()
    friday_s = MONDAY_S + 4 * DAY_S + 15 * 3600
    due_s = worked_off_s(4.0, duty, friday_s)
    assert weekday(due_s) == 0  # Monday, not Saturday
    assert 6 <= datetime.fromtimestamp(due_s, UTC).hour < 15


@pytest.mark.parametrize("hours", [0.0, 0.5, 7.0, 33.0, 200.0, 5000.0])
def test_working_off_is_the_inverse_of_the_hours_of_the_rhythm(hours: float) -> None:
    """Checked against adding up the rhythm minute by minute from Wednesday noon on."""
    duty = five_days()
    from_s = MONDAY_S + 2 * DAY_S + 12 * 3600
    due_s = worked_off_s(hours, duty, from_s)
    minutes = np.arange(from_s, due_s, 60.0)
    place = ((minutes - MONDAY_S) // 3600).astype(np.int64) % 168
    worked_h = np.array(duty.rhythm)[place].sum() / 60 * 7 * duty.hours_per_day
    assert worked_h == pytest.approx(hours, abs=0.05)


def test_nights_and_free_days_do_not_move_the_date_and_idle_working_days_do() -> None:
    left = np.array([20.0, 36.0, 70.0])
    duty = five_days()

    def due(after_s: float) -> float:
        return float(due_dates_s(left, duty, from_s=MONDAY_S + after_s)[1])

    evening, next_morning = 18 * 3600.0, DAY_S + 5 * 3600.0
    assert due(next_morning) == pytest.approx(due(evening), abs=3600)  # a key-off over night
    friday, sunday = 4 * DAY_S + evening, 6 * DAY_S + evening
    assert due(sunday) - due(friday) < 0.1 * DAY_S
    assert due(next_morning + 2 * DAY_S) - due(next_morning) == pytest.approx(2 * DAY_S, abs=0.8 * DAY_S)


def test_irregular_duty_widens_the_dates_and_a_regular_one_hardly_does() -> None:
    left = np.array([60.0, 80.0, 100.0])
    steady = Duty(8.0, 0.0, 56)
    irregular = Duty(8.0, 0.2, 56, day_spread=4.0)
    narrow, wide = (due_dates_s(left, duty, from_s=0.0) / DAY_S for duty in (steady, irregular))
    assert narrow == pytest.approx(np.array([60, 80, 100]) / 8)
    assert wide[1] == narrow[1]
    assert wide[2] - wide[0] > 1.5 * (narrow[2] - narrow[0])
    # Squares add: 20 h of forecast, 1.2816 sqrt((0.2 80)^2 + 4^2 10) h of duty.
    apart = np.hypot(20.0, 1.2815515655446004 * np.hypot(16.0, 4.0 * np.sqrt(10.0)))
    assert wide == pytest.approx(np.array([80 - apart, 80, 80 + apart]) / 8)


def test_days_after_the_last_reading_are_not_idle_days() -> None:
    """Nothing is known of them; what counts is up to the last reading."""
    readings = weeks_of_work(4)
    assert learn_duty(summarise_hours(readings)) == five_days_of(readings)


def five_days_of(readings: Readings) -> Duty:
    return learn_duty(list(summarise_hours(readings))[::-1])


def test_no_hour_is_worked_off_in_less_than_an_hour() -> None:
    """However irregular the duty, and where the rhythm has more than an hour's work in an hour."""
    crowded = Duty(10.0, 0.5, 7, 8.0, tuple([1 / 5, *[0.0] * 23] * 5 + [0.0] * 48))
    for duty in (Duty(5.0, 0.5, 3, 5.0), crowded):
        left = np.array([3.0, 4.0, 5.0])
        due_s = due_dates_s(left, duty, from_s=0.0)
        assert np.all(due_s >= left * 3600)
        assert worked_off_s(4.0, duty, 0.0) >= 4 * 3600


def test_nothing_seen_gives_the_usual_shift_and_says_that_it_rests_on_no_day() -> None:
    duty = learn_duty([])
    assert (duty.days, duty.rhythm) == (0, ())
    assert 0 < duty.hours_per_day < 24


def test_the_points_without_arrays_are_those_of_numpy_to_the_last_bit() -> None:
    rng, duty = np.random.default_rng(9), five_days()
    for each in (duty, replace(duty, rhythm=())):
        for _ in range(500):
            hours, from_s = np.sort(rng.exponential(80, 3)), MONDAY_S + float(rng.uniform(0, 7 * DAY_S))
            middle = float(hours[1])
            duty_h = Z90 * np.hypot(
                each.spread * middle, each.day_spread * np.sqrt(middle / each.hours_per_day)
            )
            below, above = np.hypot(middle - hours[0], duty_h), np.hypot(hours[2] - middle, duty_h)
            far = (max(0.0, middle - float(below)), middle, middle + float(above))
            worked_s = [worked_off_s(h, each, from_s) for h in far]
            expected = np.maximum(worked_s, from_s + hours * 3600.0)
            assert due_dates_s(hours, each, from_s=from_s).tolist() == expected.tolist()
