"""What the demo says at its end, and that it does not say all is well when it is not."""

from __future__ import annotations

from typing import Any

import pytest
from rich.console import Console

from simulator.report import Outcome, StreamLine, account_table, as_json, fleet_table, verdict

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"


def server_line(**changes: Any) -> dict[str, Any]:
    line = {"stream": STREAM, "acknowledged_through": 90, "highest": 90, "stored": 88, "duplicates": 5}
    return line | {"quarantined": 2, "shed": 0, "gap": 0, "faults": []} | changes


def line(**changes: Any) -> StreamLine:
    known: dict[str, Any] = {"machine": "grader-07", "stream": STREAM, "appended": 100, "released": 90}
    return StreamLine(**(known | {"reported": 100, "server": server_line()} | changes))


def outcome(*lines: StreamLine, balances: bool = True) -> Outcome:
    fleet = {"now": "2026-11-25T00:00:00Z", "housings": []}
    return Outcome(fleet=fleet, lines=list(lines), server_balances=balances, kills=3, outages=1, took_s=1.0)


def test_a_backlog_without_coverage_is_no_fault() -> None:
    assert line().faults == []
    assert line().waiting == 10
    assert outcome(line()).balances
    assert "10 wait on machines" in verdict(outcome(line()))


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"reported": 101}, "had 101 on disk"),
        ({"released": 95}, "released through 95"),
        ({"server": server_line(highest=120)}, "has seen 120"),
        ({"server": server_line(faults=["numbers 5 are in no state"])}, "in no state"),
        ({"server": None}, "does not know the stream"),
        ({"server": server_line(stored=0, quarantined=0)}, "holds none"),
    ],
)
def test_what_does_not_fit_is_named_and_the_verdict_is_no(changes: dict[str, Any], says: str) -> None:
    found = line(**changes)
    assert any(says in fault for fault in found.faults)
    assert not outcome(found).balances
    assert "does NOT balance" in verdict(outcome(found))


def test_nothing_to_judge_is_not_a_success() -> None:
    assert not outcome().balances
    assert not outcome(line(), balances=False).balances


def test_the_tables_fit_a_page_and_the_json_has_every_stream() -> None:
    console = Console(width=160, record=True, quiet=True)
    console.print(fleet_table(outcome().fleet))
    console.print(account_table([line()]))
    assert as_json(outcome(line()))["streams"][0]["waiting"] == 10
