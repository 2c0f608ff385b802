"""Which times are plausible by themselves: floor, clocks never set, rollovers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.checking.plausible_time import (
    DAY_US,
    FUTURE_TOLERANCE_US,
    HISTORY_US,
    LONGEST_RUN_US,
    ROLLED_DAYS,
    UNSET_DAYS,
    UNSET_OVER_US,
    Service,
    UnsetClock,
    clock_steps,
    day_us,
    doubt_of_time,
    in_question,
    out_of_line,
    steps_back,
)


def us(text: str) -> int:
    return parse_instant(text).us


NOW_US = us("2026-11-24T21:27:00Z")
REGISTERED = Service(registered_us=us("2026-11-01T00:00:00Z"))


def code_at(text: str, service: Service = REGISTERED, now_us: int = NOW_US) -> str | None:
    doubt = doubt_of_time(us(text), now_us=now_us, service=service)
    return None if doubt is None else doubt.code


# The four that were believed where no date of service was set, and their neighbours. Sources of the starts:
# POSIX (1970), Microsoft FAT specification (1980-01-01), IS-GPS-200 (1980-01-06) and gps.gov, GPS week number
# rollover (1999-08-22, 2019-04-07); 2000-01-01 and 0001-01-01 are common practice, without source.
@pytest.mark.parametrize(
    ("at", "code"),
    [
        ("1970-01-02T00:00:00Z", "clock_unset"),
        ("1970-03-31T00:00:00Z", "clock_unset"),
        ("0001-01-01T00:00:00Z", "clock_unset"),
        ("0001-02-01T00:00:00Z", "clock_unset"),
        ("1999-08-22T00:00:00Z", "clock_unset"),
        ("2019-04-07T00:00:00Z", "clock_unset"),
        ("2019-07-15T23:00:00Z", "clock_unset"),
        ("2019-07-17T00:00:00Z", "time_before_floor"),
        ("1969-12-31T23:59:59Z", "time_before_floor"),
        ("1066-10-14T09:00:00Z", "time_before_floor"),
        ("2011-06-01T00:00:00Z", "time_before_floor"),
        ("2025-10-30T23:59:59Z", "time_before_floor"),
        ("2025-10-31T00:00:00Z", None),  # 366 days before it was registered
        ("2026-11-24T21:27:00Z", None),
    ],
)
def test_impossible_times_are_not_believed(at: str, code: str | None) -> None:
    assert code_at(at) == code


def test_an_admin_widens_the_history_and_a_date_of_service_outranks_both() -> None:
    recorded = REGISTERED._replace(history_from_us=us("2011-01-01T00:00:00Z"))
    assert code_at("2011-06-01T00:00:00Z", recorded) is None
    assert code_at("2010-12-31T00:00:00Z", recorded) == "time_before_floor"
    in_service = recorded._replace(in_service_us=us("2026-01-01T00:00:00Z"))
    assert code_at("2011-06-01T00:00:00Z", in_service) == "time_before_service"


def test_in_recorded_history_a_start_counts_for_its_first_day_only() -> None:
    """A machine may really have run in May 2019."""
    recorded = REGISTERED._replace(history_from_us=us("2015-01-01T00:00:00Z"))
    assert code_at("2019-04-07T12:00:00Z", recorded) == "clock_unset"
    assert code_at("2019-04-08T00:00:00Z", recorded) is None


def test_nothing_is_believed_from_before_1970_whatever_was_entered() -> None:
    ancient = Service(in_service_us=us("0001-01-01T00:00:00Z"), registered_us=NOW_US)
    assert code_at("1969-01-01T00:00:00Z", ancient) == "time_before_floor"


@pytest.mark.parametrize(
    ("at", "true", "shift_s"),
    [
        # gps.gov, GPS week number rollover: 1024 weeks are 619 315 200 s; arithmetic by the calendar
        ("2007-04-10T21:27:00Z", "2026-11-24T21:27:00Z", 619_315_200),
        ("1987-08-25T21:27:00Z", "2026-11-24T21:27:00Z", 1_238_630_400),
    ],
)
def test_a_rollover_into_the_device_s_own_time_is_suggested(at: str, true: str, shift_s: int) -> None:
    doubt = doubt_of_time(us(at), now_us=NOW_US, service=REGISTERED)
    assert doubt is not None
    assert (doubt.code, doubt.suggestion) == ("gps_week_rollover", {"at": true, "shift_s": shift_s})


def test_the_build_date_counts_for_one_day() -> None:
    service = REGISTERED._replace(built="2026-02-20")
    assert code_at("2026-02-20T23:59:59Z", service) == "clock_unset"
    assert code_at("2026-02-21T00:00:00Z", service) is None


def test_from_a_known_instant_on_no_clock_starts_that_was_never_set() -> None:
    starts = [day_us(day) or 0 for day in (*UNSET_DAYS, *ROLLED_DAYS)]
    assert max(starts) + LONGEST_RUN_US == UNSET_OVER_US


_INSTANTS = st.integers(us("0001-01-01T00:00:00Z"), NOW_US + HISTORY_US)
_MAYBE = st.none() | _INSTANTS


@given(st.lists(_INSTANTS, min_size=1, max_size=5), _MAYBE, _MAYBE, _MAYBE, st.none() | st.just("2026-02-20"))
def test_the_quick_look_misses_no_doubt(
    at_us: list[int], in_service_us: int | None, registered_us: int | None, history_us: int | None, built: Any
) -> None:
    service = Service(in_service_us, registered_us, history_us, built)
    odd = in_question(np.array(at_us), now_us=NOW_US, service=service)
    for index, instant in enumerate(at_us):
        if odd is None or not odd[index]:
            assert doubt_of_time(instant, now_us=NOW_US, service=service) is None


def test_a_year_and_five_minutes_are_the_bounds() -> None:
    assert (HISTORY_US, FUTURE_TOLERANCE_US) == (366 * DAY_US, 300_000_000)


# ---------------------------------------------------------------- by the neighbours


def out(hours: list[float], uncertainty_h: dict[int, float] | None = None) -> list[int]:
    at_us = np.array([round(h * 3.6e9) for h in hours], dtype=np.int64)
    half = np.full(len(hours), np.nan)
    for index, value in (uncertainty_h or {}).items():
        half[index] = value * 3600
    return [int(index) for index in np.flatnonzero(out_of_line(at_us, half))]


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        ([1, 2, 3, 4], []),
        ([10, 11, 3, 12, 13], [2]),
        ([10, 11, 30, 12, 13], [2]),
        ([10, 3, 11], [1]),
        ([10, 10.4, 9.8, 10.5, 11], [2]),
        ([10, 10.4, 10, 10.5, 11], []),  # within half an hour of one
        ([10, 10.003, 11.006, 10.009, 10.012], [2]),  # summer time, every ten seconds or so
        ([10, 10.003, 9.006, 10.009, 10.012], [2]),
        ([10, 11, 3, 3.1, 12, 13], []),
        ([3, 10, 11], []),
        ([10, 11, 3], []),
        ([10, 3, 11, 4, 12, 5], []),
        ([9, 8, 7, 6], []),
        ([10, 11, 3, 12, 13, 2, 14, 15], [2, 5]),
        ([1], []),
        ([], []),
    ],
)
def test_one_time_between_two_that_agree_is_out_of_line(hours: list[float], expected: list[int]) -> None:
    assert out(hours) == expected


def test_what_the_readings_say_of_their_uncertainty_widens_the_margin() -> None:
    assert out([10, 11, 3, 12, 13], {2: 6.0}) == [2]
    assert out([10, 11, 3, 12, 13], {2: 8.0}) == []
    assert out([10, 11, 3, 12, 13], {1: 8.0}) == []


@given(st.lists(st.integers(0, 20), max_size=12), st.integers(0, 3), st.integers(0, 3))
def test_a_verdict_rests_on_two_neighbours_on_either_side(hours: list[int], before: int, behind: int) -> None:
    """So that a few readings around what arrives are enough to judge it."""
    whole = set(out([float(h) for h in hours]))
    part = hours[before : len(hours) - behind]
    low = before + (2 if before else 0)
    high = len(hours) - behind - (2 if behind else 0)
    inside = {index + before for index in out([float(h) for h in part])}
    assert {i for i in whole if low <= i < high} == {i for i in inside if low <= i < high}


@given(st.lists(st.integers(0, 20), min_size=1, max_size=8))
def test_where_no_time_steps_back_none_is_out_of_line(hours: list[int]) -> None:
    at_us = np.array(hours, dtype=np.int64) * 3_600_000_000
    if not steps_back(at_us):
        assert not out_of_line(at_us, np.full(len(hours), np.nan)).any()


# ---------------------------------------------------------------- a clock that runs on


def test_an_unset_clock_runs_on_until_what_the_stream_had_reached_and_no_longer_than_a_device_may() -> None:
    clock = UnsetClock(0, 300 * DAY_US)
    assert not clock.runs_on(2 * DAY_US), "it was not seen to start"
    assert clock.starts_at(DAY_US - 1)
    assert not clock.starts_at(DAY_US)
    clock.showed(DAY_US - 1)
    assert clock.runs_on(DAY_US)
    assert clock.runs_on(LONGEST_RUN_US - 1)
    assert not clock.runs_on(LONGEST_RUN_US)
    clock.showed(5 * DAY_US)
    assert not clock.runs_on(4 * DAY_US), "no clock steps back while it runs"
    clock.reached(6 * DAY_US)
    assert not clock.runs_on(6 * DAY_US + 1)
    behind = UnsetClock(0, 3 * DAY_US)
    behind.showed(0)
    assert behind.runs_on(2 * DAY_US)
    assert not behind.runs_on(3 * DAY_US), "that is where the stream was: the clock was set"
    alone = UnsetClock(0, None)
    alone.showed(0)
    assert not alone.runs_on(2 * DAY_US), "nothing steps back"


# ---------------------------------------------------------------- a clock that steps


def steps(hours: list[float], half_h: float = 0.0) -> list[int]:
    """Indexes at which readings at these hours, half as wide, step back."""
    at_us = np.array([int(hour * 3.6e9) for hour in hours], dtype=np.int64)
    return [int(i) for i in clock_steps(at_us, np.full(len(hours), half_h * 3600.0))]


@pytest.mark.parametrize(
    ("hours", "expected"),
    [
        ([], []),
        ([9, 9.1, 1], []),  # one after it may be out of line
        ([9, 1, 1.1], []),  # one before it as well
        ([9, 9.1, 1, 1.1], [2]),
        ([1, 1.1, 9, 9.1, 2, 2.1, 2.2], [4]),  # forward first, which looks like a pause
        ([9, 9.1, 5, 5.1, 1, 1.1], [2, 4]),
        ([9, 9.1, 8.7, 8.8], []),  # less than half an hour
        ([9, 9.003, 8.006, 8.009], [2]),  # from summer to winter time, less the interval of the readings
        ([9, 9.1, 1, 9.2, 9.3], []),  # one out of line
        ([9, 1, 9.1, 1.1, 9.2, 1.2], []),  # two clocks in turn
    ],
)
def test_a_clock_steps_where_two_readings_on_either_side_agree(
    hours: list[float], expected: list[int]
) -> None:
    assert steps(hours) == expected


def test_a_step_within_what_the_times_are_unsure_by_is_none() -> None:
    assert steps([9, 9.1, 6, 6.1], half_h=0.5) == [2]
    assert steps([9, 9.1, 6, 6.1], half_h=2.0) == []


@given(st.lists(st.integers(0, 10**6), min_size=4, max_size=40))
def test_times_in_order_have_no_step(hours: list[int]) -> None:
    assert steps([float(hour) for hour in sorted(hours)]) == []
