"""The hour meter: what is asked about a reading before it is kept."""

from __future__ import annotations

import pytest

from cleanside.ingest.shop.meter import doubt_of, offset_h
from cleanside.ingest.store.papers import MeterReading

HOUR_US = 3_600_000_000


def reading(hour: float, meter_h: float, offset: float = 0.0) -> MeterReading:
    return MeterReading(f"at-{hour:g}", round(hour * HOUR_US), 0, "k1", meter_h, offset)


LAST = reading(1_000, 4_012.0)


@pytest.mark.parametrize(
    ("given", "seen_h", "code"),
    [
        (reading(1_100, 4_090.0), 0.0, None),
        (reading(1_100, 12.0), 0.0, "meter_lower"),
        (reading(1_100, 12.0, 4_060.0), 0.0, None),  # a new meter, and what the one before showed
        (reading(1_100, 4_400.0), 0.0, "meter_ahead_of_clock"),
        (reading(900, 4_100.0), 0.0, "meter_above_later"),
        (reading(900, 3_000.0), 0.0, "meter_ahead_of_clock"),
        (reading(1_100, 4_090.0), 4_080.0, None),
        (reading(1_100, 4_090.0), 5_000.0, "meter_below_worked"),
    ],
)
def test_a_reading_that_cannot_be_true_beside_the_last_one_asks(
    given: MeterReading, seen_h: float, code: str | None
) -> None:
    doubt = doubt_of(given, [LAST], seen_h)
    assert (None if doubt is None else doubt.code) == code


def test_the_first_reading_is_compared_with_what_the_monitors_saw() -> None:
    doubt = doubt_of(reading(5_000, 12.0), [], 4_000.0)
    assert doubt is not None
    assert (doubt.code, doubt.values["meter_h"], doubt.values["seen_h"]) == (
        "meter_below_worked",
        12.0,
        4_000.0,
    )
    assert doubt_of(reading(5_000, 12.0), [], 0.0) is None  # no monitor saw it work


@pytest.mark.parametrize(
    ("meter_h", "says_before", "code"),
    [(8_100.0, False, None), (99_999.0, False, "meter_first_high"), (99_999.0, True, None)],
)
def test_a_first_reading_beyond_ten_years_without_a_stop_asks(
    meter_h: float, says_before: bool, code: str | None
) -> None:
    doubt = doubt_of(reading(1_000, meter_h), [], says_before=says_before)
    assert (None if doubt is None else doubt.code) == code


def test_a_question_names_the_last_reading_and_the_hours_that_passed() -> None:
    doubt = doubt_of(reading(1_100, 4_400.0), [LAST])
    assert doubt is not None
    assert doubt.values == {
        "meter_h": 4_400.0,
        "other_h": 4_012.0,
        "other_at_us": LAST.at_us,
        "passed_h": pytest.approx(100.0),
    }


def test_hours_before_a_meter_stay_until_a_new_one_is_fitted() -> None:
    known = [reading(100, 8_000.0, 500.0)]
    at_us = 200 * HOUR_US
    assert offset_h(known, at_us, given_h=None, old_meter_h=None) == 500.0
    assert offset_h(known, at_us, given_h=None, old_meter_h=8_060.0) == 8_560.0
    assert offset_h(known, at_us, given_h=0.0, old_meter_h=None) == 0.0
    assert offset_h([], at_us, given_h=None, old_meter_h=None) == 0.0
