"""Invariant 5: each number is in exactly one state, counted from the rows, and whoever asks is told."""

from __future__ import annotations

import json
import subprocess
import sys

import sqlalchemy as sa

from tests.support.databases import opened
from tests.support.serving import STREAM, Api, batch


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
    states = ("stored", "quarantined", "discarded", "shed", "gap", "pending")
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


def account_command(url: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "cleanside.ingest", "account", "--json", "--database", url]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_invariant_5_the_command_says_when_a_reading_is_gone(api: Api) -> None:
    """One row taken out of the table behind the server's back: the command names it and exits non-zero."""
    fill(api)
    before = account_command(api.url)
    assert before.returncode == 0, before.stderr
    assert json.loads(before.stdout)["balances"] is True
    with opened(api.url) as engine, engine.begin() as connection:
        connection.execute(sa.text("DELETE FROM readings WHERE seq = 5"))
    after = account_command(api.url)
    assert after.returncode == 1
    [line] = [s for s in json.loads(after.stdout)["streams"] if s["stream"] == STREAM]
    assert not line["balances"]
    assert "5" in line["faults"][0]
