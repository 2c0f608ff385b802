"""A clock that starts at the gateway's build date and runs on for days: found where times step back to it."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from tests.support.databases import migrated_sqlite
from tests.support.held import stored as at_rest
from tests.support.serving import DEVICE, STREAM, Api, in_process

BUILT = "2026-01-10"
HOUR_US = 3_600_000_000
BUILT_US = parse_instant(f"{BUILT}T00:00:00Z").us
TRUE_US = parse_instant("2026-02-20T00:00:00Z").us


def rows_of(*spans: tuple[int, int], first: int = 1, step_h: int = 6) -> list[tuple[int, int]]:
    """(number, instant) of spans that each begin at an instant and have so many readings."""
    times = [start_us + n * step_h * HOUR_US for start_us, count in spans for n in range(count)]
    return list(enumerate(times, first))


#: true, then an unset clock for four days, then true again
UNSET = rows_of((TRUE_US, 4), (BUILT_US, 16), (TRUE_US + 6 * 24 * HOUR_US, 4))
#: the same numbers, which the unset clock gave
OF_UNSET = list(range(5, 21))


def send(api: Api, rows: list[tuple[int, int]], value: float = 3.0) -> dict[str, Any]:
    listed = [{"seq": seq, "at": instant_text(at_us), "restriction": value} for seq, at_us in rows]
    document = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": listed}
    return api.send(document | {"gateway": {"built": BUILT}})


def stored(api: Api) -> list[int]:
    with api.resources.reading() as connection:
        return sorted(row["seq"] for row in at_rest(connection))


def quarantined(api: Api) -> list[tuple[int, str]]:
    entries = api.get("/v1/quarantine", params={"limit": 500}).json()["entries"]
    return sorted((entry["seq"], entry["code"]) for entry in entries)


@pytest.fixture
def api(api: Api) -> Api:
    """With the device registered."""
    api.register()
    return api


def test_readings_after_the_first_day_of_an_unset_clock_are_quarantined(api: Api) -> None:
    answer = send(api, UNSET)
    assert answer["stored"] == 8
    assert quarantined(api) == [(n, "clock_unset") for n in OF_UNSET]
    assert api.account()["balances"]


def test_they_are_found_one_by_one_as_a_live_gateway_sends_them(api: Api) -> None:
    for row in UNSET:
        send(api, [row])
    assert quarantined(api) == [(n, "clock_unset") for n in OF_UNSET]
    later = rows_of((TRUE_US + 8 * 24 * HOUR_US, 3), first=25)
    assert send(api, later)["stored"] == 3


def test_days_after_the_build_date_are_believed_where_no_time_steps_back_to_it(api: Api) -> None:
    """The window is a day: a gateway may well be in service in the week in which it was built."""
    send(api, rows_of((BUILT_US, 16)))
    assert quarantined(api) == [(n, "clock_unset") for n in range(1, 5)]


def test_a_clock_that_was_set_back_by_days_was_set(api: Api) -> None:
    """It does not start at the build date."""
    send(api, rows_of((TRUE_US, 4), (TRUE_US - 96 * HOUR_US, 4), (TRUE_US + 48 * HOUR_US, 4)))
    assert quarantined(api) == []


def test_a_time_that_a_person_called_right_ends_it(api: Api) -> None:
    send(api, UNSET[:10])
    change = {"where": {"code": "clock_unset"}, "change": {"time_is_right": True}}
    assert api.post("/v1/quarantine/amendments", change).json()["stored"] == 6
    send(api, UNSET[10:])
    assert quarantined(api) == []


def test_a_second_look_says_the_same(api: Api) -> None:
    send(api, UNSET)
    again = {"where": {"code": "clock_unset"}, "change": {}}
    assert api.post("/v1/quarantine/amendments", again).json()["stored"] == 0
    assert quarantined(api) == [(n, "clock_unset") for n in OF_UNSET]


def test_a_reading_that_is_quarantined_for_its_value_does_not_end_it(api: Api) -> None:
    send(api, UNSET[:10])
    send(api, UNSET[10:16], value=900.0)
    send(api, UNSET[16:])
    codes = dict(quarantined(api))
    assert sorted(codes) == OF_UNSET
    assert {codes[n] for n in range(11, 17)} == {"out_of_range"}
    amended = {"where": {"code": "out_of_range"}, "change": {"units": {"restriction": "Pa"}}}
    assert api.post("/v1/quarantine/amendments", amended).json()["stored"] == 0


@pytest.mark.parametrize("spacing", [1, 300])
@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_arrival_does_not_matter_to_how_far_it_runs(
    tmp_path: Path, seed: int, spacing: int
) -> None:
    """Two starts, with single wrong times and lost numbers: as in one batch in order."""
    chance = random.Random(seed)
    rows = rows_of(
        (TRUE_US - 240 * HOUR_US, 6),
        (BUILT_US, chance.randint(6, 14)),
        (TRUE_US, 6),
        (BUILT_US + HOUR_US, chance.randint(2, 14)),
        (TRUE_US + 96 * HOUR_US, 6),
    )
    rows = [(seq * spacing, at_us) for seq, at_us in rows if chance.random() < 0.9]
    wrong = chance.choice(rows)[0]
    rows = [(seq, at_us - (300 * HOUR_US if seq == wrong else 0)) for seq, at_us in rows]
    pieces = [rows[i : i + 3] for i in range(0, len(rows), 3)]
    pieces += chance.choices(pieces, k=4)
    chance.shuffle(pieces)
    seen = []
    for way, parts in (("in-order", [rows]), ("shuffled", pieces)):
        (tmp_path / way).mkdir()
        with in_process(migrated_sqlite(tmp_path / way)) as api:
            api.register()
            for part in parts:
                send(api, part)
            seen.append((stored(api), quarantined(api)))
            assert api.account()["balances"]
    assert seen[0] == seen[1]
    assert len(seen[0][1]) > 3
