"""What the monitor on a housing says now: each quantity's newest value, with its time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.serving import DEVICE, STREAM, Api, in_process

PATH = "/v1/machines/grader-07/newest"


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    with in_process(database_url) as running:
        running.register()
        yield running


def send(api: Api, *readings: dict[str, Any], **more: Any) -> None:
    units = {"restriction": "kPa", "signal_strength": "dBm", "supply_voltage": "V"}
    sent = [{"seq": n, **reading} for n, reading in enumerate(readings, 1)]
    used = {name: unit for name, unit in units.items() if any(name in reading for reading in sent)}
    api.send({"device": DEVICE, "stream": STREAM, "units": used, "readings": sent} | more)


def values(api: Api) -> dict[str, tuple[float, str, str]]:
    listed = api.get(PATH).json()["values"]
    return {v["quantity"]: (v["value"], v["unit"], v["at"]) for v in listed}


def test_each_quantity_is_the_newest_one_that_has_it(api: Api) -> None:
    send(
        api,
        {"at": "2026-03-02T08:59:00Z", "restriction": 3.0, "supply_voltage": 27.1},
        {"at": "2026-03-02T08:59:10Z", "restriction": 3.1},
    )
    assert values(api) == {
        "restriction": (3100.0, "Pa", "2026-03-02T08:59:10Z"),
        "supply_voltage": (27.1, "V", "2026-03-02T08:59:00Z"),
    }


def test_signal_is_that_of_the_last_ten_minutes(api: Api) -> None:
    times = ("08:40:00", "08:55:00", "08:59:00")
    send(api, *({"at": f"2026-03-02T{t}Z", "signal_strength": -90.0 + n} for n, t in enumerate(times)))
    assert [s["signal_dbm"] for s in api.get(PATH).json()["signal"]] == [-89.0, -88.0]


def test_what_waits_at_the_gateway_is_said(api: Api) -> None:
    send(api, {"at": "2026-03-02T08:59:00Z", "restriction": 3.0}, gateway={"appended_through": 41})
    assert api.get(PATH).json()["readings_waiting"] == 40


def test_before_the_first_reading_there_is_nothing(api: Api) -> None:
    seen = api.get(PATH).json()
    assert (seen["values"], seen["signal"], seen["received_at"], seen["devices"]) == ([], [], None, [DEVICE])


NEW_SPOOL = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
A_READING = {"at": "2026-03-02T08:59:00Z", "restriction": 3.0}
CLOCK_NEVER_SET = {"at": "2000-01-01T00:00:00Z", "restriction": 3.0}


def test_a_reading_that_arrived_and_is_not_believed_is_shown_with_its_reason(api: Api) -> None:
    send(api, CLOCK_NEVER_SET)
    seen = api.get(PATH).json()
    assert (seen["values"], seen["received_at"]) == ([], None)
    assert seen["quarantined"]["received_at"] == "2026-03-02T09:00:00Z"
    assert [reason["code"] for reason in seen["quarantined"]["reasons"]] == ["clock_unset"]


def test_the_values_stay_when_a_new_spool_has_only_quarantined_readings(api: Api) -> None:
    send(api, A_READING)
    api.clock.advance(60)
    send(api, CLOCK_NEVER_SET, stream=NEW_SPOOL)
    seen = api.get(PATH).json()
    assert values(api)["restriction"] == (3000.0, "Pa", "2026-03-02T08:59:00Z")
    assert (seen["received_at"], seen["quarantined"]["received_at"]) == (
        "2026-03-02T09:00:00Z",
        "2026-03-02T09:01:00Z",
    )


def test_a_stored_reading_that_came_later_ends_the_doubt(api: Api) -> None:
    send(api, CLOCK_NEVER_SET)
    api.clock.advance(60)
    send(api, A_READING, stream=NEW_SPOOL)
    assert api.get(PATH).json()["quarantined"] is None
