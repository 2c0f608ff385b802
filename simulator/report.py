"""
What the demo ends with: the fleet as the planner sees it, and the account that says nothing was lost.

Promises: pure; every number carries its unit; states are said in words.
Leaves to others: getting the facts (`demo.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.table import Table

SHORTEST_TELLING_DATE = 10  # characters of an ISO date


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamLine:
    """One stream: what the machine says and what the server says."""

    machine: str
    stream: str
    #: highest number that the spool gave
    appended: int
    #: highest number that the spool knows to be acknowledged
    released: int
    #: highest number that the gateway process said was on disk, before it was killed
    reported: int
    #: the server's account of it; None: the server has never heard of it
    server: dict[str, Any] | None

    @property
    def faults(self) -> list[str]:
        """What does not fit, in words."""
        if self.server is None:
            return (
                []
                if self.released == 0
                else ["the server does not know the stream, the spool has released numbers"]
            )
        found = list(self.server["faults"])
        if self.reported > self.appended:
            found.append(f"the gateway had {self.reported} on disk, its spool now says {self.appended}")
        if self.released > self.server["acknowledged_through"]:
            found.append(
                f"released through {self.released}, held through {self.server['acknowledged_through']}"
            )
        if self.server["highest"] > self.appended:
            found.append(f"the server has seen {self.server['highest']}, the spool gave {self.appended}")
        if self.released and not (self.server["stored"] or self.server["quarantined"] or self.server["shed"]):
            found.append("numbers were released, and the server holds none")
        return found

    @property
    def waiting(self) -> int:
        """Readings that are on the machine only."""
        return self.appended - (self.server["highest"] if self.server else 0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """All that the demo found."""

    fleet: dict[str, Any]
    lines: list[StreamLine]
    server_balances: bool
    kills: int
    outages: int
    took_s: float

    @property
    def balances(self) -> bool:
        """True if every number of every stream is accounted for, on both sides."""
        return self.server_balances and bool(self.lines) and not any(line.faults for line in self.lines)


def render(outcome: Outcome, console: Console) -> None:
    """Print the fleet, the account and the verdict."""
    console.print(fleet_table(outcome.fleet))
    console.print(account_table(outcome.lines))
    for line in outcome.lines:
        for fault in line.faults:
            console.print(f"{line.machine}: {fault}")
    console.print(verdict(outcome))
    console.print(
        "A state is advice: the engine maker's service limit and manual come first. Engine off, key out and"
        " machine secured before anyone opens a housing; never run the engine with the element out."
    )


def verdict(outcome: Outcome) -> str:
    """The last word, in one or two sentences."""
    appended = sum(line.appended for line in outcome.lines)
    waiting = sum(line.waiting for line in outcome.lines)
    how = (
        f"{appended:,} readings on disk at {len({line.machine for line in outcome.lines})} gateways, "
        f"{outcome.kills} kills in mid-write, {outcome.outages} server outage, {outcome.took_s:.0f} s. "
    )
    if not outcome.balances:
        return how + "The account does NOT balance: see above."
    rest = f" {waiting:,} wait on machines without coverage." if waiting else ""
    return how + f"The account balances: every reading is at the server once, or accounted for.{rest}"


def fleet_table(fleet: dict[str, Any]) -> Table:
    """Machines, most urgent first, as of the server's now."""
    table = Table(title=f"Fleet at {_time(fleet['now'])}", title_justify="left", show_lines=False)
    table.add_column("machine", no_wrap=True)
    table.add_column("state", no_wrap=True)
    table.add_column("restriction [kPa]\nnow / terminal", justify="right")
    table.add_column("share\nused", justify="right")
    table.add_column("hours left\n10 / 50 / 90 %", justify="right")
    table.add_column("due date\n10 .. 90 %", no_wrap=True)
    table.add_column("last reading", no_wrap=True)
    table.add_column("quiet because")
    for housing in fleet["housings"]:
        table.add_row(
            housing["machine"],
            housing["state"],
            f"{_kpa(housing['restriction_pa'])} / {_kpa(_terminal_pa(housing))}",
            _percent(housing["share_used_percent"]),
            _hours(housing["hours_left"]),
            _dates(housing["due_at"]),
            _time(housing["last_reading_at"]),
            (housing["quiet_because"] or "").replace("_", " "),
        )
    return table


def account_table(lines: list[StreamLine]) -> Table:
    """Where every number of every stream is."""
    table = Table(title="Account", title_justify="left")
    table.add_column("machine", no_wrap=True)
    table.add_column("stream", no_wrap=True)
    for name in (
        "seen",
        "stored",
        "duplicates\nabsorbed",
        "quarantined",
        "shed",
        "gaps",
        "waiting on\nthe machine",
    ):
        table.add_column(name, justify="right")
    table.add_column("balance")
    for line in lines:
        server = line.server or {}
        counts = [
            server.get(key, 0) for key in ("highest", "stored", "duplicates", "quarantined", "shed", "gap")
        ]
        table.add_row(
            line.machine,
            f"..{line.stream[-12:]}",
            *(f"{n:,}" for n in [*counts, line.waiting]),
            "no" if line.faults else "yes",
        )
    return table


def as_json(outcome: Outcome) -> dict[str, Any]:
    """The same for a program."""
    return {
        "balances": outcome.balances,
        "kills": outcome.kills,
        "server_outages": outcome.outages,
        "took_s": round(outcome.took_s, 2),
        "fleet": outcome.fleet,
        "streams": [
            {
                "machine": line.machine,
                "stream": line.stream,
                "appended_through": line.appended,
                "released_through": line.released,
                "reported_on_disk": line.reported,
                "waiting": line.waiting,
                "faults": line.faults,
                "server": line.server,
            }
            for line in outcome.lines
        ],
    }


def _terminal_pa(housing: dict[str, Any]) -> float | None:
    terminal = housing["terminal_restriction"]
    return terminal["restriction_pa"] if terminal else None


def _kpa(pa: float | None) -> str:
    return "-" if pa is None else f"{pa / 1000:.2f}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{share:.0f} %"


def _hours(points: dict[str, float] | None) -> str:
    return "-" if points is None else " / ".join(f"{points[p]:.0f}" for p in ("p10", "p50", "p90")) + " h"


def _dates(due: dict[str, str | None] | None) -> str:
    if due is None:
        return "-"
    first, last = ((due[p] or "beyond 2100")[:SHORTEST_TELLING_DATE] for p in ("p10", "p90"))
    return first if first == last else f"{first} .. {last}"


def _time(text: str | None) -> str:
    return "never" if text is None else f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M %Z}"
