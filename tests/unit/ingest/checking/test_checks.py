"""Checks of single readings: times, ranges, and what is suggested."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.checking import content
from cleanside.ingest.checking.checks import CODES, add_doubts_of_times, doubts_of_values, instants_of
from cleanside.ingest.checking.plausible_time import DAY_US, ROLLOVER_US, Service, doubt_of_time
from cleanside.ingest.intake.codes import TITLES

NOW_US = parse_instant("2026-11-24T21:27:00Z").us


def code_at(text: str, **service: Any) -> str | None:
    doubt = doubt_of_time(parse_instant(text).us, now_us=NOW_US, service=Service(**service))
    return None if doubt is None else doubt.code


def test_the_server_s_clock_and_five_minutes_are_believed_and_no_more() -> None:
    assert code_at("2026-11-24T21:32:00Z") is None
    assert code_at("2026-11-24T21:32:00.000001Z") == "time_in_future"


# Source: gps.gov and tycho.usno.navy.mil, GPS week number rollover: the 10-bit week wraps every 1024 weeks
# (619 315 200 s). True time -> what a receiver shows that is one, two rollovers late; arithmetic checked
# with Python's own calendar below.
ROLLOVERS = [
    ("2019-04-07T00:00:00Z", "1999-08-22T00:00:00Z", 1),
    ("2021-10-24T00:00:00Z", "2002-03-10T00:00:00Z", 1),
    ("2024-03-15T12:00:00Z", "2004-07-30T12:00:00Z", 1),
    ("2024-03-15T12:00:00Z", "1984-12-14T12:00:00Z", 2),
    ("2025-01-01T00:00:00Z", "2005-05-18T00:00:00Z", 1),
    ("2025-01-01T00:00:00Z", "1985-10-02T00:00:00Z", 2),
    ("2026-11-24T21:27:00Z", "2007-04-10T21:27:00Z", 1),
    ("2026-11-24T21:27:00Z", "1987-08-25T21:27:00Z", 2),
    ("2038-11-21T00:00:00Z", "2019-04-07T00:00:00Z", 1),
    ("2038-11-21T00:00:00Z", "1999-08-22T00:00:00Z", 2),
]


@pytest.mark.parametrize(("true", "shown", "times"), ROLLOVERS)
def test_a_rollover_is_seen_and_the_true_time_suggested(true: str, shown: str, times: int) -> None:
    assert parse_instant(true).us - parse_instant(shown).us == times * 1024 * 7 * 86_400 * 1_000_000
    now_us = parse_instant(true).us + 3_600_000_000
    doubt = doubt_of_time(parse_instant(shown).us, now_us=now_us, service=Service())
    assert doubt is not None
    assert (doubt.code, doubt.suggestion) == (
        "gps_week_rollover",
        {"at": true, "shift_s": times * 619_315_200},
    )


@given(st.integers(0, 365), st.integers(1, 3), st.integers(0, 86_399))
def test_any_time_of_the_last_year_is_found_again_after_any_rollover(
    days: int, times: int, second: int
) -> None:
    true_us = NOW_US - days * DAY_US - second * 1_000_000
    shown_us = true_us - times * ROLLOVER_US
    doubt = doubt_of_time(shown_us, now_us=NOW_US, service=Service())
    assert doubt is not None
    if doubt.code != "clock_unset":  # some of these land on a day where unset clocks start
        assert doubt.suggestion is not None
        assert doubt.suggestion["at"] == instant_text(true_us)


def test_where_the_start_of_service_is_known_a_rollover_leads_back_into_it() -> None:
    service = {"in_service_us": parse_instant("2022-01-01T00:00:00Z").us}
    assert code_at("2003-06-01T00:00:00Z", **service) == "gps_week_rollover"  # 2023 is in service
    assert code_at("2000-06-01T00:00:00Z", **service) == "time_before_service"  # 2020 is not, nor is 2000
    assert code_at("2021-12-31T23:59:59Z", **service) == "time_before_service"
    assert code_at("2022-01-01T00:00:00Z", **service) is None


def test_an_old_recording_is_believed_where_nothing_speaks_against_it() -> None:
    assert code_at("2011-06-01T00:00:00Z") is None


# Source: POSIX (epoch), Microsoft FAT specification (1980-01-01), IS-GPS-200 (1980-01-06); 2000-01-01 is
# common practice of clock chips, without source.
@pytest.mark.parametrize("day", ["1970-01-01", "1980-01-01", "1980-01-06", "2000-01-01"])
def test_a_day_on_which_unset_clocks_start_is_quarantined(day: str) -> None:
    assert code_at(f"{day}T00:00:00Z") == "clock_unset"
    assert code_at(f"{day}T23:59:59Z") == "clock_unset"


def sent(at: str, **more: Any) -> wire.Batch:
    document = {
        "device": "d",
        "units": {"restriction": "kPa"},
        "readings": [{"at": at, "restriction": 3.0} | more],
    }
    return wire.decode(json.dumps(document).encode())


def codes_of(batch: wire.Batch, service: Service | None = None) -> list[str]:
    columns = content.all_as_sent(batch)
    found = doubts_of_values(batch, content.in_si(batch, columns))
    at_us, known = instants_of(batch)
    add_doubts_of_times(batch, at_us, known, found, now_us=NOW_US, service=service or Service())
    return [doubt.code for doubts in found.values() for doubt in doubts]


def test_a_clock_that_shows_the_gateways_build_date_was_never_set() -> None:
    service = Service(built="2026-02-20")
    assert codes_of(sent("2026-02-20T00:03:00Z"), service) == ["clock_unset"]
    assert codes_of(sent("2026-02-21T00:00:00Z"), service) == []


def test_a_reading_of_the_build_date_with_a_stated_uncertainty_is_believed() -> None:
    """The gateway placed it by an anchor, so its clock was set: a backlog from before an update."""
    service = Service(built="2026-02-20")
    assert codes_of(sent("2026-02-20T00:03:00Z", at_uncertainty_s=0.5), service) == []


@pytest.mark.parametrize("built", ["unknown", "2026-13-01", "20.02.2026", None])
def test_a_build_date_that_is_none_says_nothing(built: str | None) -> None:
    assert codes_of(sent("2026-02-20T00:03:00Z"), Service(built=built)) == []


@pytest.mark.parametrize(
    ("quantity", "unit", "value", "believed"),
    [
        ("restriction", "kPa", 50.0, True),
        ("restriction", "kPa", 50.001, False),
        ("restriction", "kPa", -10.0, True),
        ("ambient_pressure", "kPa", 20.0, False),
        ("engine_speed", "r/min", -1, False),
        ("latitude", "deg", 90.5, False),
        ("air_temperature", "Cel", 81, False),
        ("supply_voltage", "mV", 28_000, True),
    ],
)
def test_impossible_values_are_quarantined(quantity: str, unit: str, value: float, believed: bool) -> None:
    document = {
        "device": "d",
        "units": {quantity: unit},
        "readings": [{"at": "2026-11-24T00:00:00Z", quantity: value}],
    }
    batch = wire.decode(json.dumps(document).encode())
    assert codes_of(batch) == ([] if believed else ["out_of_range"])


def test_an_absent_value_is_never_out_of_range() -> None:
    document = {
        "device": "d",
        "units": {"restriction": "kPa"},
        "start": "2026-11-24T00:00:00Z",
        "step_ms": [0, 10],
        "columns": {"restriction": [None, 3.0]},
    }
    assert codes_of(wire.decode(json.dumps(document).encode())) == []


def test_every_code_says_what_to_do() -> None:
    assert all(len(what) > 20 for what in CODES.values())
    assert not CODES.keys() & (TITLES.keys() - {"device_unknown"})
