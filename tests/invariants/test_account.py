"""Invariant 5: each number is in exactly one state, counted from the rows, and shown to whoever asks."""

from __future__ import annotations

import json
import subprocess

import httpx

from cleanside.ingest.cli import main
from tests.support import held
from tests.support.databases import opened
from tests.support.nursery import ran
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process


def fill(api: Api) -> None:
    """
    Numbers 1..60 of one stream in every state.

    1-10 stored, 11-12 quarantined, 13-20 shed, 21-30 stored, 31-34 never seen, 35-40 stored; 41-60 are
    appended and not sent. 1-5 come twice, number 7 comes again with another content.
    """
    api.register()
    api.send(batch(1, [3.0] * 10))
    api.send(batch(11, [3e9, 3e9]))
    api.send(batch(21, [3.1] * 10, shed=[{"first": 13, "last": 20, "reason": "disk_budget"}]))
    api.send(batch(35, [3.2] * 6, gateway={"appended_through": 60}))
    api.send(batch(1, [3.0] * 5))
    api.send(batch(7, [9.9]))


EXPECTED = {
    "through": 60,
    "acknowledged_through": 30,
    "highest": 40,
    "stored": 26,
    "quarantined": 2,
    "discarded": 0,
    "shed": 8,
    "moved": 0,
    "gap": 4,
    "pending": 20,
    "duplicates": 5,
    "conflicts": 1,
    "gaps": [[31, 34]],
}


def test_invariant_5_the_account_balances(api: Api) -> None:
    """The counts are those written down by hand, and they add up to all that was appended."""
    fill(api)
    [line] = api.account()["streams"]
    assert {key: line[key] for key in EXPECTED} == EXPECTED
    assert line["balances"] is True
    states = ("stored", "quarantined", "discarded", "shed", "moved", "gap", "pending")
    assert sum(line[state] for state in states) == line["through"]


def test_invariant_5_a_late_reading_shrinks_the_gap_and_one_for_a_shed_number_shrinks_the_shed(
    api: Api,
) -> None:
    fill(api)
    answer = api.send(batch(31, [3.3] * 4))
    assert answer["acknowledged_through"] == 40
    api.send(batch(15, [3.4]))
    [line] = api.account()["streams"]
    assert (line["stored"], line["shed"], line["gap"], line["balances"]) == (31, 7, 0, True)


def test_invariant_5_the_account_declares_no_loss_for_a_decision_that_was_undone(api: Api) -> None:
    """`both-right` undone: its number in the server's own stream said "shed: 1" for good."""
    fill(api)
    [before] = api.account()["streams"]
    body = {"where": {"code": "number_conflict"}, "device": DEVICE}
    done = api.post("/v1/quarantine/both-right", body, key="operator").json()
    assert done["stored"] == 1
    undo = f"/v1/quarantine/amendments/{done['amendment_id']}/undo"
    assert api.post(undo, {}, key="operator").status_code == 200
    own, second = sorted(api.account()["streams"], key=lambda line: line["stream"] != before["stream"])
    assert own == before
    assert (second["shed"], second["moved"], second["through"], second["balances"]) == (0, 1, 1, True)


def test_invariant_5_a_gateway_that_sheds_in_the_words_of_a_person_has_shed(api: Api) -> None:
    shed = [{"first": 2, "last": 4, "reason": "taken_back"}]
    api.register()
    api.send(batch(1, [3.0], shed=shed))
    [line] = api.account()["streams"]
    assert (line["shed"], line["moved"], line["balances"]) == (3, 0, True)


def account_command(url: str) -> subprocess.CompletedProcess[str]:
    return ran("cleanside.ingest", "account", "--json", "--database", url)


def test_invariant_5_the_command_says_when_a_reading_is_gone(api: Api) -> None:
    """One row taken out of the table behind the server's back: the command names it and exits non-zero."""
    fill(api)
    before = account_command(api.url)
    assert before.returncode == 0, before.stderr
    assert json.loads(before.stdout)["balances"] is True
    with opened(api.url) as engine, engine.begin() as connection:
        held.lose(connection, 5)
    after = account_command(api.url)
    assert after.returncode == 1
    [line] = [s for s in json.loads(after.stdout)["streams"] if s["stream"] == STREAM]
    assert not line["balances"]
    assert "5" in line["faults"][0]


def line_of(api: Api) -> dict[str, object]:
    """The account of the one stream."""
    [line] = api.account()["streams"]
    return dict(line)


def test_a_reading_beyond_the_last_report_is_no_loss(api: Api) -> None:
    """Reports arrive out of order, and a batch may carry none: the account takes the higher of both."""
    api.register()
    api.send(batch(1, [3.0, 3.1], gateway={"appended_through": 2}))
    api.send(batch(3, [3.2]))
    expected = {"through": 3, "stored": 3, "pending": 0, "balances": True, "faults": []}
    line = line_of(api)
    assert {key: line[key] for key in expected} == expected
    assert account_command(api.url).returncode == 0


def lower(api: Api, to: int, *, stream: str = STREAM, key: str = "operator") -> httpx.Response:
    body = {"appended_through": to, "reason": "a counter that overflowed"}
    return api.post(f"/v1/streams/{stream}/appended-through", body, key=key)


def test_a_false_report_is_lowered_by_a_person_and_recorded(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0, 3.1], gateway={"appended_through": 2**53}))
    api.send(batch(3, [3.2], gateway={"appended_through": 3}))
    assert line_of(api)["pending"] == 2**53 - 3  # the server alone never lowers it
    for wrong in (2, 2**53 + 1):  # below the highest seen; higher than any number
        assert lower(api, wrong).json()["code"] == "not_valid"
    for _ in range(2):  # asked again after a lost reply it is the same
        assert lower(api, 3).json()["appended_through"] == 3
    line = line_of(api)
    assert (line["through"], line["pending"], line["balances"]) == (3, 0, True)
    assert lower(api, 4).json()["code"] == "not_valid"  # it is a lowering
    entries = api.get("/v1/audit", params={"what": "appended_through_lowered"}).json()["entries"]
    assert [json.loads(entry["detail"]) for entry in entries] == [
        {"stream": STREAM, "from": 2**53, "to": 3, "reason": "a counter that overflowed"}
    ]
    assert entries[0]["who"] == api.tokens["operator"].partition(".")[0]


def test_a_false_report_is_lowered_by_the_command_while_nothing_serves(
    sqlite_database_url: str,
) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0], gateway={"appended_through": 2**53}))
    asked = ["appended", STREAM, "--owner", "plateau", "--database", sqlite_database_url]
    asked += ["--reason", "a counter that overflowed", "--lower-to"]
    assert main([*asked, "0"]) == 2
    assert main([*asked, "1"]) == 0
    with in_process(sqlite_database_url, tokens=api.tokens) as again:
        assert line_of(again)["through"] == 1
        [entry] = again.get("/v1/audit", params={"what": "appended_through_lowered"}).json()["entries"]
        assert entry["who"] == "command"
