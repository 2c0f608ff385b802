"""Invariants 6 and 9: the order of arrival does not matter, and silence is explained."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from tests.support.databases import migrated_sqlite
from tests.support.serving import DEVICE, STREAM, Api, in_process

BEGIN_US = parse_instant("2026-02-20T06:00:00Z").us
HOURS = 60
HOUR_US = 3_600_000_000
A_MINUTE = 6  # a reading every ten minutes


def working_hours() -> list[dict[str, Any]]:
    """Batches of ten: sixty hours of an element that loads, some idling in each, the key off at the end."""
    readings = []
    for n in range(HOURS * A_MINUTE):
        idle = n % A_MINUTE == 0
        full_kpa = 2.0 + 2.0 * (n / (HOURS * A_MINUTE)) ** 2
        speed = 800 if idle else 1900
        readings.append(
            {
                "seq": n + 1,
                "at": instant_text(BEGIN_US + n * 600_000_000),
                "restriction": round(full_kpa * (speed / 1900) ** 1.6, 3),
                "engine_speed": speed,
            }
        )
    readings[-1] |= {"restriction": 0.0, "engine_speed": 0}
    envelope = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa", "engine_speed": "r/min"}}
    return [envelope | {"readings": readings[i : i + 10]} for i in range(0, len(readings), 10)]


#: numbers of readings whose clock was wrong, and by how many hours: at the edges of batches and inside
OUT_OF_LINE = {25: -70, 100: 30, 111: -200, 155: -5, 200: 12, 201: -12, 260: -40, 359: -3}


def with_outliers(batches: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The same with single times far from those before and after them."""
    moved = []
    for document in batches:
        readings = [
            {**r, "at": instant_text(parse_instant(r["at"]).us + OUT_OF_LINE.get(r["seq"], 0) * HOUR_US)}
            for r in document["readings"]
        ]
        moved.append(document | {"readings": readings})
    return moved


def seen_after(folder: Path, batches: list[dict[str, Any]], *, analyse_between: bool) -> dict[str, Any]:
    folder.mkdir()
    with in_process(migrated_sqlite(folder)) as api:
        api.register()
        for document in batches:
            api.send(document)
            if analyse_between:
                api.analyse()
        api.analyse()
        document = api.get("/v1/machines/grader-07/restriction").json()
        assert api.account()["balances"]
        held = api.get("/v1/quarantine", params={"limit": 500}).json()["entries"]
        document["held"] = sorted((entry["seq"], entry["code"]) for entry in held)
    return {key: value for key, value in document.items() if key != "snapshot"}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_invariant_6_order_of_arrival_does_not_matter(tmp_path: Path, seed: int) -> None:
    """Late, repeated and out-of-order arrivals lead to the same state, share used, forecast and series."""
    batches = with_outliers(working_hours())
    chance = random.Random(seed)
    shuffled = batches + chance.choices(batches, k=10)
    chance.shuffle(shuffled)
    in_order = seen_after(tmp_path / "in-order", batches, analyse_between=False)
    as_it_came = seen_after(tmp_path / "as-it-came", shuffled, analyse_between=True)
    assert in_order["restriction_pa"] is not None
    assert len(in_order["series"]) == HOURS
    # 200 and 201 are next to each other: neither has two neighbours that agree.
    assert in_order["held"] == [(n, "time_outlier") for n in (25, 100, 111, 155, 260, 359)]
    assert as_it_came == in_order


def quiet_because(api: Api, *, after_s: float) -> str | None:
    api.analyse()
    api.clock.advance(after_s)
    answer = api.get("/v1/machines/grader-07/restriction").json()
    because: str | None = answer["quiet_because"]
    return because


def test_invariant_9_a_machine_whose_last_reading_shows_the_key_off_is_keyed_off(api: Api) -> None:
    api.register()
    for document in working_hours():
        api.send(document)
    assert quiet_because(api, after_s=40 * 3600) == "keyed_off"


def test_invariant_9_a_machine_that_has_more_than_it_could_send_is_out_of_coverage(api: Api) -> None:
    api.register()
    first, *_ = working_hours()
    api.send(first | {"gateway": {"appended_through": 500}})
    assert quiet_because(api, after_s=10 * 3600) == "out_of_coverage"


def test_invariant_9_otherwise_the_reason_is_said_to_be_unknown(api: Api) -> None:
    api.register()
    first, *_ = working_hours()
    api.send(first)
    assert quiet_because(api, after_s=10 * 3600) == "backlog_arrives"  # old readings came within a day
    assert quiet_because(api, after_s=15 * 3600) == "unknown"


def test_a_machine_that_is_heard_is_not_quiet(api: Api) -> None:
    api.register()
    at = instant_text(api.clock() - 60_000_000)
    reading = {"seq": 1, "at": at, "restriction": 3.0}
    api.send({"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [reading]})
    assert quiet_because(api, after_s=60) is None


def test_a_machine_whose_first_reading_has_just_come_is_running_in_not_silent(api: Api) -> None:
    """The analysis follows the commit by a moment; in between, that something came is known all the same."""
    api.register()
    first, *_ = working_hours()
    api.send(first)
    answer = api.get("/v1/machines/grader-07/restriction").json()
    assert (answer["state"], answer["quiet_because"], answer["last_reading_at"]) == ("running-in", None, None)
    assert answer["hours_behind"] > 0
    api.analyse()
    after = api.get("/v1/machines/grader-07/restriction").json()
    assert after["last_reading_at"] == first["readings"][-1]["at"]
