"""A time out of line with its neighbours by number: quarantined, judged again when neighbours arrive."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from tests.support.archiving import archive_all
from tests.support.databases import migrated_sqlite
from tests.support.held import stored as at_rest
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

WRONG = "2026-01-05T03:00:00Z"


@pytest.fixture
def api(api: Api) -> Api:
    """With the device registered."""
    api.register()
    return api


def send(api: Api, numbers: dict[int, str], **more: Any) -> dict[str, Any]:
    """Send readings of these numbers and times; a time like 10:20 is of today."""
    rows = [
        {"seq": seq, "at": f"2026-03-02T0{at}:00Z" if len(at) == 4 else at, "restriction": 3.0} | more
        for seq, at in numbers.items()
    ]
    units = {"restriction": "kPa"}
    return api.send({"device": DEVICE, "stream": STREAM, "units": units, "readings": rows})


def stored(api: Api) -> list[int]:
    with api.resources.reading() as connection:
        return sorted(row["seq"] for row in at_rest(connection))


def quarantined(api: Api) -> list[tuple[int, str]]:
    entries = api.get("/v1/quarantine", params={"limit": 500}).json()["entries"]
    return sorted((entry["seq"], entry["code"]) for entry in entries)


def test_the_odd_one_out_of_a_batch_is_quarantined(api: Api) -> None:
    answer = send(api, {1: "6:00", 2: "6:10", 3: WRONG, 4: "6:20"})
    assert [(note["seq"], note["code"]) for note in answer["quarantined"]] == [(3, "time_outlier")]
    assert (answer["stored"], answer["acknowledged_through"]) == (3, 4)
    assert api.get("/v1/quarantine").json()["entries"][0]["content"]["at"] == WRONG


def test_the_odd_one_out_is_seen_once_the_next_reading_comes(api: Api) -> None:
    """Reading by reading, as a live gateway sends them; it was stored until then."""
    for number, at in {1: "6:00", 2: "6:10", 3: WRONG}.items():
        assert send(api, {number: at})["stored"] == 1
    api.analyse()
    assert send(api, {4: "6:20"})["stored"] == 1
    assert (stored(api), quarantined(api)) == ([1, 2, 4], [(3, "time_outlier")])
    assert api.account()["balances"]
    api.analyse()
    series = api.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]
    assert WRONG not in [reading["at"] for reading in series]
    assert send(api, {3: WRONG})["quarantined"][0]["code"] == "time_outlier"  # sent again it is known


def test_a_reading_that_gets_company_is_believed_again(api: Api) -> None:
    """Between two that agree it stood out; those next to it show that the clock was set back."""
    send(api, {1: "6:00", 2: "6:10", 5: WRONG, 8: "6:40"})
    assert quarantined(api) == [(5, "time_outlier")]
    send(api, {6: "2026-01-05T03:10:00Z", 7: "2026-01-05T03:20:00Z"})
    assert (stored(api), quarantined(api)) == ([1, 2, 5, 6, 7, 8], [])
    assert api.account()["balances"]


@pytest.mark.parametrize(
    "times",
    [
        ["6:00", "6:10", "6:20", "5:55", "6:30"],  # under half an hour: a clock that is set
        ["6:00", WRONG, "2026-01-05T03:10:00Z", "6:10"],  # two together
        [WRONG, "6:00", "6:10"],  # nothing before it
        ["6:00", "6:10", WRONG],  # nothing behind it
        ["6:40", "6:30", "6:20", "6:10"],  # a recording from back to front
        [
            "6:00",
            WRONG,
            "6:10",
            "2026-01-05T03:10:00Z",
            "6:20",
            "2026-01-05T03:20:00Z",
        ],  # two clocks by turns
    ],
)
def test_what_has_no_neighbours_that_agree_is_believed(api: Api, times: list[str]) -> None:
    send(api, dict(enumerate(times, 1)))
    assert (stored(api), quarantined(api)) == ([*range(1, len(times) + 1)], [])
    one_by_one = STREAM[:-1] + "2"
    for number, at in enumerate(times, 1):
        instant = f"2026-03-02T0{at}:00Z" if len(at) == 4 else at
        row = {"seq": number, "at": instant, "restriction": 3.0}
        api.send({"device": DEVICE, "stream": one_by_one, "units": {"restriction": "kPa"}, "readings": [row]})
    assert quarantined(api) == []
    assert len(stored(api)) == 2 * len(times)


def test_a_stated_uncertainty_is_taken_into_account(api: Api) -> None:
    send(api, {1: "6:00", 2: "6:10"})
    send(api, {3: "2026-03-01T22:00:00Z"}, at_uncertainty_s=40_000.0)
    send(api, {4: "6:20"})
    assert quarantined(api) == []


def test_a_corrected_reading_is_set_aside_as_it_was_sent_and_corrected_again(api: Api) -> None:
    report = {"boots": [{"boot": "b1", "first_seq": 1}, {"boot": "b2", "first_seq": 6}]}
    moved = {"event": "boot_corrected", "boot": "b1", "at_seq": 6, "shift_s": -60.0, "uncertainty_s": 1.0}
    send(api, {n: f"6:{n}0" for n in range(1, 6)})
    api.send(batch(6, [3.0], gateway=report | {"events": [moved]}))
    api.analyse()
    span = {"stream": STREAM, "first": 3, "last": 3, "reason": "which clock was it"}
    done = api.post("/v1/quarantine/set-aside", span).json()
    [entry] = api.get("/v1/quarantine").json()["entries"]
    assert entry["content"]["at"] == "2026-03-02T06:30:00Z"
    assert api.post(f"/v1/quarantine/amendments/{done['amendment_id']}/undo", {}).status_code == 200
    api.analyse()
    times = [r["at"] for r in api.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]]
    assert "2026-03-02T06:29:00Z" in times
    assert "2026-03-02T06:30:00Z" not in times


def test_an_outlier_is_found_beside_numbers_that_are_missing_or_shed(api: Api) -> None:
    send(api, {1: "6:00", 2: "6:10"})
    shed = {"device": DEVICE, "stream": STREAM, "shed": [{"first": 3, "last": 9, "reason": "disk_budget"}]}
    api.send(shed)
    send(api, {20: WRONG, 30: "6:40"})
    assert quarantined(api) == [(20, "time_outlier")]


def test_an_outlier_is_found_beside_archived_readings(tmp_path: Path) -> None:
    """The late one between two that went to the archive."""
    with in_process(migrated_sqlite(tmp_path)) as api:
        api.register()
        api.clock.advance(90 * 86_400)
        send(api, {n: f"2026-03-02T06:{n:02}:00Z" for n in (1, 2, 3, 4, 6, 7, 8, 9)})
        archive_all(api)
        assert stored(api) == []
        assert send(api, {5: WRONG})["quarantined"][0]["code"] == "time_outlier"
        assert send(api, {10: "2026-03-02T06:10:00Z"})["stored"] == 1


def test_a_reading_of_a_boot_that_was_corrected_is_judged_by_the_times_that_were_sent(api: Api) -> None:
    """Two neighbours have other times by now; the late one is of their boot, and is corrected like them."""
    report = {"boots": [{"boot": "b1", "first_seq": 1}, {"boot": "b2", "first_seq": 6}]}
    moved = {
        "event": "boot_corrected",
        "boot": "b1",
        "at_seq": 6,
        "shift_s": -259_200.0,
        "uncertainty_s": 1.0,
    }
    send(api, {1: "6:00", 2: "6:10", 4: "6:30", 5: "6:40"})
    send(api, {6: "6:50"})
    api.send(batch(7, [3.0], gateway=report | {"events": [moved]}))
    api.analyse()
    assert send(api, {3: "6:20"})["stored"] == 1
    assert quarantined(api) == []


@pytest.mark.parametrize("spacing", [1, 300])
@pytest.mark.parametrize("seed", range(4))
def test_the_order_of_arrival_does_not_matter_to_who_stands_out(
    tmp_path: Path, seed: int, spacing: int
) -> None:
    """Random clocks, gaps and pieces end as one batch in order does. spacing : between numbers."""
    chance = random.Random(seed)
    hours = [round(n / 6, 3) for n in range(60)]
    rows: list[tuple[int, int]] = []
    for seq in sorted(chance.sample(range(1, 121), 60)):
        wrong = chance.choice([-300, -48, -3, 7]) if chance.random() < 0.2 else 0
        at_us = 1_772_000_000_000_000 + int((hours[len(rows)] + wrong) * 3.6e9)
        rows.append((seq * spacing, at_us // 1_000_000))
    seen = []
    for way in ("in-order", "shuffled"):
        pieces = [rows] if way == "in-order" else _pieces(rows, chance)
        (tmp_path / way).mkdir()
        with in_process(migrated_sqlite(tmp_path / way)) as api:
            api.register()
            for piece in pieces:
                send(api, {seq: _text(at_s) for seq, at_s in piece})
            seen.append((stored(api), quarantined(api)))
            assert api.account()["balances"]
    assert seen[0] == seen[1]
    assert seen[0][1]  # some stand out


def _pieces(rows: list[tuple[int, int]], chance: random.Random) -> list[list[tuple[int, int]]]:
    pieces = []
    left = list(rows)
    while left:
        size = chance.choice([1, 1, 2, 5])
        pieces.append(left[:size])
        left = left[size:]
    again = chance.choices(pieces, k=5)
    chance.shuffle(pieces)
    return pieces + again


def _text(at_s: int) -> str:
    return instant_text(at_s * 1_000_000)
