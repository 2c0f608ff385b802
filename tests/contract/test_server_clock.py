"""A server whose own clock is wrong: what attention and the page say of the readings, and the start."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.api.routes.attention import look
from cleanside.ingest.commands.attention import attention_text
from cleanside.ingest.commands.start_warnings import warn_of_clock
from cleanside.ingest.store.attention import newest_received_us
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

DAY_S = 86_400.0
OTHERS = ("unit-b", "unit-c")


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    with in_process(database_url, devices=(DEVICE, *OTHERS)) as running:
        running.register()
        for device in OTHERS:
            running.register(device, f"loader-{device}")
        yield running


def ahead(number: int, device: str, at: str) -> dict[str, Any]:
    reading = {"seq": 1, "at": at, "restriction": 3.0}
    about = {"device": device, "stream": f"{STREAM[:-1]}{number}", "units": {"restriction": "kPa"}}
    return about | {"readings": [reading]}


def step_of(api: Api, device: str) -> str:
    """The next step for what is quarantined of a monitor."""
    groups = api.get("/v1/attention", key="operator").json()["groups"]
    [found] = [group for group in groups if group["group"] == "in_quarantine"]
    [step] = [str(entry["next_step"]) for entry in found["entries"] if entry["device"] == device]
    return step


def test_a_server_whose_clock_is_a_day_behind_is_told_from_a_machine_that_is_ahead(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    """Found in a trial: "shift these readings back" would have spoilt right readings of a whole fleet."""
    for number, device in enumerate([DEVICE, *OTHERS]):
        api.send(ahead(number, device, f"2026-03-03T09:0{number}:00Z"))
        assert step_of(api, device).startswith("do not shift" if number == 2 else "set the machine's clock")
    assert step_of(api, DEVICE).startswith("do not shift")
    with api.resources.reading() as connection:
        groups = look(connection, None, api.clock())
        newest_us = newest_received_us(connection)
    [line] = [one for one in attention_text(groups, api.clock()).splitlines() if "timedatectl" in one]
    assert line.strip().startswith("time_in_future: do not shift")
    assert "behind now" in line
    assert "ahead before" in line
    assert newest_us == api.clock()
    warn_of_clock(newest_us, api.clock() - 60_000_000)
    assert caplog.messages == []
    warn_of_clock(newest_us, api.clock() - 86_400_000_000)
    assert caplog.messages == ["ingest.clock_went_back"]
    reason = str(vars(caplog.records[-1])["reason"])
    assert "behind now" in reason
    assert "ahead before" in reason


def test_one_machine_ahead_of_a_server_whose_clock_went_back_is_not_blamed(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.clock.advance(-DAY_S)
    api.send(ahead(2, "unit-b", "2026-03-02T09:00:00Z"))
    assert step_of(api, "unit-b").startswith("do not shift")
    for path in ("/quarantine", "/quarantine/group?code=time_in_future&device=unit-b"):
        assert "timedatectl" in api.get(path, key="operator").text


def test_one_machine_ahead_of_a_right_clock_is_told_to_set_its_own(api: Api) -> None:
    for number, device in enumerate(OTHERS, 2):
        api.send(ahead(number, device, f"2026-03-02T08:0{number}:00Z"))
    api.send(ahead(1, DEVICE, "2026-03-03T09:00:00Z"))
    assert step_of(api, DEVICE).startswith("set the machine's clock right")
    assert "timedatectl" not in api.get("/quarantine", key="operator").text
