"""
A boot placed better later, on both sides: said by a real spool, kept, applied and undone by the server.

The contract: "A better anchor that comes later is sent as an audited correction of the boot, never as new
readings."
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.wire import Batch, BootCorrection, boot_correction, encode, parse_instant
from cleanside.ingest.analysis import corrections as acts
from cleanside.ingest.store import corrections, old_rows
from tests.support.archiving import archive_all, counts, whole_readings
from tests.support.concurrent import wait_for_lock
from tests.support.databases import Postgres, opened
from tests.support.held import rows, stored_of
from tests.support.serving import STREAM, Api, batch, in_process
from tests.unit.gateway.helpers import open_spool, readings, server_anchor, settable_clock

#: read by both sides: what the gateway says, and what it means
GOLDEN_EVENT = {
    "at_seq": 301,
    "event": "boot_corrected",
    "boot": "6f2c0a1e-8b1d-4c55-9a37-3f0d3c1b2a10",
    "shift_s": -30.0,
    "uncertainty_s": 0.05,
    "kind": "gps",
}
GOLDEN = BootCorrection(
    boot="6f2c0a1e-8b1d-4c55-9a37-3f0d3c1b2a10", at_seq=301, shift_s=-30.0, uncertainty_s=0.05, anchor="gps"
)
BOOT = str(GOLDEN_EVENT["boot"])
OTHER = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d44"


def boots(*placed: tuple[int, str]) -> dict[str, Any]:
    return {
        "boots": [{"boot": b, "first_seq": n, "anchor": "server", "uncertainty_s": 60.0} for n, b in placed]
    }


def start_us(number: int) -> int:
    """When reading `number` of `batch` says it was taken."""
    return parse_instant("2026-03-02T06:00:00Z").us + number * 10_000_000


@pytest.fixture
def sent(api: Api) -> Api:
    """300 readings of one boot, 41 of them after it was placed again; the boot before it has 50."""
    api.register()
    api.send(batch(1, [3.0] * 50, gateway=boots((1, "boot-before"))))
    api.send(batch(51, [3.0] * 250, gateway=boots((51, BOOT))))
    api.analyse()
    return api


def test_a_correction_that_names_its_first_number_moves_none_before_it(sent: Api) -> None:
    """Readings among those of a boot may have brought a time of their own."""
    correct(sent, first_seq=201)
    sent.analyse()
    moved = {seq for (seq,) in rows(sent.url, "SELECT seq FROM original_times")}
    assert moved == set(range(201, 301))


def correct(api: Api, **more: Any) -> None:
    told = boots((301, BOOT)) | {"events": [GOLDEN_EVENT | more]}
    assert api.send(batch(301, [3.0] * 41, gateway=told))["stored"] == 41


def times(api: Api, stream: str = STREAM) -> dict[int, int]:
    return {row["seq"]: row["at_us"] for row in stored_of(api.url) if row["stream"] == stream}


def listed(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get("/v1/boot-corrections").json()["corrections"]
    return found


def test_the_golden_event_means_one_thing() -> None:
    assert boot_correction(GOLDEN_EVENT) == GOLDEN


@pytest.mark.parametrize(
    "wrong",
    [
        {"event": "key_on"},
        {"boot": 7},
        {"boot": "a boot"},
        {"at_seq": 0},
        {"at_seq": True},
        {"shift_s": "30"},
        {"shift_s": None},
        {"shift_s": 1e10},
        {"uncertainty_s": -1.0},
    ],
)
def test_what_cannot_be_understood_corrects_nothing(wrong: dict[str, Any]) -> None:
    assert boot_correction(GOLDEN_EVENT | wrong) is None


def test_a_real_spool_says_it_and_the_server_moves_what_was_sent_before(api: Api, tmp_path: Path) -> None:
    """From the gateway's own file, through its own encoder, to the times in the server's tables."""
    api.register()
    clock = settable_clock()
    with open_spool(tmp_path / "a", clock) as spool:
        api.clock.now_us = clock.true_us() + 60_000_000
        spool.append(readings(1, 2, timed=False))
        late_us = clock.true_us() + 30_000_000
        wrong = Anchor(
            kind="server", since_boot_us=clock.since_boot_us(), utc_us=late_us, uncertainty_us=60_000_000
        )
        spool.anchor(wrong)
        first = spool.peek()
        assert first is not None
        post(api, first)
        assert first.stream is not None
        spool.acknowledge(first.stream, 2)
        clock.advance(10)
        spool.anchor(server_anchor(clock, uncertainty_us=1000))
        spool.append(readings(3, 3, timed=False))
        second = spool.peek()
        assert second is not None
        before = times(api, first.stream)
        post(api, second)
        api.analyse()
    after = times(api, first.stream)
    assert [round((after[n] - before[n]) / 1e6, 2) for n in (1, 2)] == [-30.0, -30.0]
    assert after[3] == second.at_us[0]
    # It goes on being the reading that was sent: sent again, it is a repeat.
    assert post(api, replace(first, gateway=None))["duplicates"] == 2


def test_a_correction_from_a_file_that_was_set_aside_moves_readings_of_the_stream_it_was_of(
    sent: Api,
) -> None:
    """The file that took its place has a stream of its own, and says where the event stood at first."""
    said = GOLDEN_EVENT | {"at_seq": 1, "sent_first": {"stream": STREAM, "at_seq": 301}}
    sent.send(batch(1, [3.0], stream=OTHER, gateway={"events": [said]}))
    sent.analyse()
    found = times(sent)
    assert all(found[n] == start_us(n) - 30_000_000 for n in range(51, 301))


def post(api: Api, document: Batch) -> dict[str, Any]:
    headers = {"Content-Type": "application/json"}
    response = api.request("POST", "/v1/readings", key="device", content=encode(document), headers=headers)
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


def test_only_the_readings_of_that_boot_that_were_sent_before_it_move(sent: Api) -> None:
    correct(sent)
    sent.analyse()
    found = times(sent)
    assert all(found[n] == start_us(n) for n in (*range(1, 51), *range(301, 342)))
    assert all(found[n] == start_us(n) - 30_000_000 for n in range(51, 301))
    (told,) = listed(sent)
    assert (told["first"], told["last"], told["readings"], told["shift_s"]) == (51, 300, 250, -30.0)


def test_the_times_as_sent_stay_beside_and_what_is_sent_again_is_a_repeat(sent: Api) -> None:
    correct(sent)
    sent.analyse()
    kept = dict(rows(sent.url, "SELECT seq, at_us FROM original_times"))
    assert kept == {n: start_us(n) for n in range(51, 301)}
    again = sent.send(batch(51, [3.0] * 250))
    assert (again["stored"], again["duplicates"], again["quarantined"]) == (0, 250, [])
    assert sent.account()["balances"]


def test_the_analysis_goes_by_the_corrected_times(sent: Api) -> None:
    """Three hours later: the hours of the series are others."""
    sent.clock.advance(24 * 3600)
    before = [p["hour"] for p in sent.get("/v1/machines/grader-07/restriction").json()["series"]]
    correct(sent, shift_s=3 * 3600.0)
    sent.analyse()
    after = [p["hour"] for p in sent.get("/v1/machines/grader-07/restriction").json()["series"]]
    assert before == ["2026-03-02T06:00:00Z"]
    assert after == ["2026-03-02T06:00:00Z", "2026-03-02T09:00:00Z"]
    assert sent.get("/readyz", key=None).json()["hours_behind"] == 0


def test_a_reading_of_the_boot_that_comes_late_is_corrected_too(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0] * 99, gateway=boots((1, BOOT))))
    api.send(batch(101, [3.0] * 200))
    correct(api)
    api.analyse()
    api.send(batch(100, [3.0]))
    api.analyse()
    assert times(api)[100] == start_us(100) - 30_000_000
    assert listed(api)[0]["readings"] == 300


def test_a_correction_is_audited_and_kept_once_however_often_it_is_said(sent: Api) -> None:
    correct(sent)
    told = boots((301, BOOT)) | {"events": [GOLDEN_EVENT]}
    sent.send(batch(301, [3.0] * 41, gateway=told))
    sent.analyse()
    assert len(listed(sent)) == 1
    entry = sent.get("/v1/audit?what=boot_corrected").json()["entries"]
    assert [e["who"] for e in entry] == ["gateway"]
    assert entry[0]["values"] == {"event": GOLDEN_EVENT}
    assert times(sent)[51] == start_us(51) - 30_000_000


def test_an_operator_takes_it_back_and_everything_is_as_it_was_sent(sent: Api) -> None:
    before = sent.get("/v1/machines/grader-07/restriction").json()["series"]
    correct(sent)
    sent.analyse()
    number = listed(sent)[0]["correction"]
    undone = sent.post(f"/v1/boot-corrections/{number}/undo", {}, key="operator")
    assert (undone.status_code, undone.json()["readings"]) == (200, 0)
    assert undone.json()["undone_at"] is not None
    sent.analyse()
    assert times(sent) == {n: start_us(n) for n in range(1, 342)}
    assert rows(sent.url, "SELECT count(*) FROM original_times") == [(0,)]
    assert sent.get("/v1/audit").json()["entries"][0]["what"] == "boot_correction_undone"
    # Said again by its gateway, it stays taken back.
    sent.send(batch(301, [3.0] * 41, gateway=boots((301, BOOT)) | {"events": [GOLDEN_EVENT]}))
    sent.analyse()
    assert times(sent)[51] == start_us(51)
    assert len(before) == len(sent.get("/v1/machines/grader-07/restriction").json()["series"])


def test_a_correction_into_the_future_is_not_believed(sent: Api) -> None:
    correct(sent, shift_s=30 * 24 * 3600.0)
    sent.analyse()
    assert times(sent)[51] == start_us(51)
    assert listed(sent)[0]["undone_at"] is not None
    assert sent.get("/v1/audit").json()["entries"][0]["what"] == "boot_correction_refused"


def test_a_correction_that_leads_only_its_last_readings_into_the_future_moves_none(api: Api) -> None:
    """Those of the hours before were moved already when the hour that lies beyond was looked at."""
    api.register()
    api.send(batch(1, [3.0] * 700, gateway=boots((1, BOOT))))  # until 07:56; it is 09:00
    told = boots((701, BOOT)) | {"events": [GOLDEN_EVENT | {"at_seq": 701, "shift_s": 4500.0}]}
    api.send(batch(701, [3.0], gateway=told))
    api.analyse()
    assert listed(api)[0]["undone_at"] is not None
    assert listed(api)[0]["readings"] == 0
    assert times(api) == {n: start_us(n) for n in range(1, 702)}
    assert rows(api.url, "SELECT count(*) FROM original_times") == [(0,)]
    api.analyse()
    assert [e["what"] for e in api.get("/v1/audit").json()["entries"]].count("boot_correction_refused") == 1


@pytest.mark.postgres
def test_a_correction_that_another_process_takes_back_is_not_applied(postgres: Postgres) -> None:
    """Between the look at what is due and the lock on its stream a person may undo it elsewhere."""
    with in_process(postgres.migrated()) as api, ThreadPoolExecutor(1) as thread:
        api.register()
        api.send(batch(1, [3.0] * 300, gateway=boots((1, BOOT))))
        correct(api)
        with opened(api.url) as engine:
            with engine.begin() as other:
                [(number, stream_id)] = other.execute(sa.text("SELECT id, stream_id FROM boot_corrections"))
                old_rows.lock(other, [stream_id])
                applied = thread.submit(
                    api.resources.writer.call, lambda c: acts.apply_due(c, [stream_id], api.clock())
                )
                wait_for_lock(engine)
                corrections.set_undone(other, number, api.clock())
            assert applied.result(30) == 0
        assert times(api)[51] == start_us(51)


def test_a_boot_that_the_server_never_heard_of_corrects_nothing(sent: Api) -> None:
    correct(sent, boot="boot-of-nobody")
    sent.analyse()
    assert listed(sent) == []
    assert times(sent)[51] == start_us(51)


def test_another_owner_neither_sees_nor_undoes_it(sent: Api) -> None:
    correct(sent)
    sent.analyse()
    number = listed(sent)[0]["correction"]
    assert sent.get("/v1/boot-corrections", key="quarry admin").json()["corrections"] == []
    refused = sent.post(f"/v1/boot-corrections/{number}/undo", {}, key="quarry admin")
    assert (refused.status_code, refused.json()["code"]) == (404, "unknown_correction")


def test_readings_that_lie_in_the_archive_move_and_come_back_too(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0] * 50, gateway=boots((1, "boot-before"))))
        api.send(batch(51, [3.0] * 250, gateway=boots((51, BOOT))))
        api.analyse()
        api.clock.advance(60 * 24 * 3600.0)
        archive_all(api)
        assert counts(api) == (0, 300)
        before = {row["seq"]: row for row in whole_readings(api)}
        correct(api)
        api.analyse()
        moved = {row["seq"]: row for row in whole_readings(api)}
        assert [moved[n]["at_us"] - before[n]["at_us"] for n in (50, 51, 300)] == [
            0,
            -30_000_000,
            -30_000_000,
        ]
        archive_all(api)
        number = listed(api)[0]["correction"]
        assert api.post(f"/v1/boot-corrections/{number}/undo", {}).json()["readings"] == 0
        after = {row["seq"]: row for row in whole_readings(api) if row["seq"] <= 300}
        assert after == before
        assert api.account()["balances"]
