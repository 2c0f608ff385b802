"""What the demo says at its end, and that it does not say all is well when it is not."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console

from cleanside.simulator.report import DemoOutcome, StreamVerdict, as_json, render, verdict

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"


def server_line(**changes: Any) -> dict[str, Any]:
    line = {"stream": STREAM, "acknowledged_through": 90, "highest": 90, "stored": 88, "duplicates": 5}
    return line | {"quarantined": 2, "shed": 0, "gap": 0, "faults": []} | changes


def line(**changes: Any) -> StreamVerdict:
    known: dict[str, Any] = {"machine": "grader-07", "stream": STREAM, "appended": 100, "released": 90}
    return StreamVerdict(**(known | {"reported": 100, "server": server_line()} | changes))


def outcome(*lines: StreamVerdict, balances: bool = True) -> DemoOutcome:
    fleet = {"now": "2026-11-25T00:00:00Z", "housings": []}
    return DemoOutcome(
        fleet=fleet, lines=list(lines), server_balances=balances, kills=3, outages=1, took_s=1.0
    )


def test_a_backlog_without_coverage_is_no_fault() -> None:
    assert line().faults == []
    assert line().waiting == 10
    assert outcome(line()).balances
    assert "Waiting on machines without coverage: 10." in verdict(outcome(line()))


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


HOUSING = {
    "machine": "crusher-genset-2",
    "state": "running-in",
    "state_text": "new element, too early to judge",
    "restriction_pa": 12_510.0,
    "terminal_restriction": {"restriction_pa": 6_200.0},
    "share_used_percent": 113.0,
    "hours_left": {"p10": 79.0, "p50": 260.0, "p90": 923.0},
    "due_at": {"p10": "2026-12-03T05:00:00Z", "p50": "2026-12-30T05:00:00Z", "p90": None},
    "last_reading_at": "2026-11-24T15:05:00Z",
    "quiet_because": "out_of_coverage",
}


@pytest.mark.parametrize("width", [80, 100, 132, 200])
def test_everything_is_readable_at_the_usual_widths(width: int) -> None:
    """Nothing is cut, at the width of the plainest terminal as at that of a large one."""
    many = DemoOutcome(
        fleet={"now": "2026-11-25T00:00:00Z", "housings": [HOUSING]},
        lines=[
            line(
                machine="crusher-genset-2",
                appended=1_234_567,
                released=1_234_500,
                server=server_line(
                    highest=1_234_500, stored=1_200_000, duplicates=345_678, acknowledged_through=1_234_500
                ),
            )
        ],
        server_balances=True,
        kills=24,
        outages=1,
        took_s=33,
    )
    console = Console(width=width, record=True, file=io.StringIO())
    render(many, console)
    text = console.export_text()
    assert "…" not in text
    for whole in (
        "[kPa]",
        "12.51 / 6.20",
        "79/260/923",
        "2026-12-03",
        "after 2100",
        "out of coverage",
        "1,234,500",
    ):
        assert whole in text
    assert as_json(many)["streams"][0]["waiting"] == 67
