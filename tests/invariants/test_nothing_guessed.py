"""Invariant 7: units and times are accepted exactly as specified, or held with reason and likely repair."""

from __future__ import annotations

from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.units import from_si
from cleanside.gateway.wire import instant_text
from cleanside.ingest.quarantine.replay import after_a_start
from tests.support.held import stored_count, stored_of
from tests.support.serving import DEVICE, STREAM, Api

GOOD_AT = "2026-03-02T06:00:00Z"


def one(api: Api, *, at: str = GOOD_AT, unit: str | None = "kPa", value: float = 3.05) -> dict[str, Any]:
    """Send one reading; the answer."""
    units = {} if unit is None else {"restriction": unit}
    reading = {"seq": 1, "at": at, "restriction": value}
    return api.send({"device": DEVICE, "stream": STREAM, "units": units, "readings": [reading]})


@pytest.mark.parametrize(
    ("at", "unit", "code", "suggestion"),
    [
        (GOOD_AT, "k Pa", "unit_not_accepted", {"units": {"restriction": "kPa"}}),
        (GOOD_AT, "rpm", "unit_not_accepted", None),
        (GOOD_AT, None, "unit_undeclared", None),
        ("2026-03-02T06:00:00", "kPa", "time_without_offset", None),
        ("2026-03-02 06:00", "kPa", "time_without_offset", None),
        ("02/03/2026 06:00 AM", "kPa", "time_not_rfc3339", None),
        ("2026-02-30T06:00:00Z", "kPa", "time_not_rfc3339", None),
        ("2026-03-02T10:30:00Z", "kPa", "time_in_future", None),
        ("1970-01-01T00:05:00Z", "kPa", "clock_unset", None),
        ("1980-01-06T00:00:10Z", "kPa", "clock_unset", None),
        # 1024 weeks (7168 days) before 2026-03-02: gps.gov, GPS week number rollover
        ("2006-07-17T06:00:00Z", "kPa", "gps_week_rollover", {"at": GOOD_AT, "shift_s": 619_315_200}),
    ],
)
def test_invariant_7_nothing_is_guessed_on_the_way_in(
    api: Api, at: str, unit: str | None, code: str, suggestion: dict[str, Any] | None
) -> None:
    """Held under its number with the reason, kept as it was sent; the repair is a suggestion and no more."""
    api.register()
    answer = one(api, at=at, unit=unit)
    assert (answer["stored"], answer["acknowledged_through"]) == (0, 1)
    assert [note["code"] for note in answer["quarantined"]] == [code]
    [held] = api.get("/v1/quarantine").json()["entries"]
    [reason] = held["reasons"]
    assert (reason["code"], reason.get("suggestion")) == (code, suggestion)
    assert held["content"]["restriction"] == 3.05
    assert held["content"]["at"] == at
    assert stored_count(api.url) == 0


@pytest.mark.parametrize(
    ("at", "unit", "value"),
    [
        (GOOD_AT, "kPa", 3.05),
        ("2026-03-02T07:00:00.250+01:00", "inH2O", 12.25),
        ("2026-03-01T20:30:00-09:30", "mbar", 30.5),
        (GOOD_AT, "[in_i'H2O]", 12.25),
    ],
)
def test_invariant_7_what_is_as_specified_is_stored_and_comes_back_as_sent(
    api: Api, at: str, unit: str, value: float
) -> None:
    api.register()
    assert one(api, at=at, unit=unit, value=value)["stored"] == 1
    [row] = stored_of(api.url)
    at_us, pa = row["at_us"], row["restriction_pa"]
    assert from_si(pa, unit, "restriction") == value
    assert instant_text(at_us)[:16] == "2026-03-02T06:00"


def test_a_reading_ahead_of_the_clock_is_looked_at_again_when_its_time_has_come(api: Api) -> None:
    api.register()
    assert one(api, at="2026-03-02T10:30:00Z")["quarantined"][0]["code"] == "time_in_future"
    api.clock.advance(2 * 3600)
    assert api.recheck() == 1
    assert stored_count(api.url) == 1
    assert api.account()["balances"] is True


def test_what_a_release_before_did_not_know_is_checked_again_when_the_server_starts(api: Api) -> None:
    """A spelling that is accepted by now; the row is made as the previous release left it."""
    api.register()
    one(api, unit="furlong")
    as_then = sa.text("UPDATE quarantine SET content = replace(content, 'furlong', 'inwg')")
    api.resources.writer.call(lambda connection: connection.execute(as_then))
    now_us = api.clock()
    assert api.resources.writer.call(lambda connection: after_a_start(connection, now_us)) == 1
    assert api.recheck() == 1
    assert stored_of(api.url)[0]["restriction_pa"] == pytest.approx(3.05 * 249.08891)
    assert api.get("/v1/quarantine").json()["entries"] == []
