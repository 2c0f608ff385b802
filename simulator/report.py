"""
The demo's final report: the fleet for the planner, and the account that shows that nothing was lost.

Promises: pure; every number has its unit; states are words.
Leaves to others: getting the facts (`demo.py`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.table import Table

from cleanside.gateway.units import counted

WIDE = 132  # columns; below it the fleet is two tables, and all fits 80


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamVerdict:
    """One stream: the machine's numbers and the server's."""

    machine: str
    stream: str
    #: highest number used by the spool
    appended: int
    #: highest number that the spool knows to be acknowledged
    released: int
    #: highest number that the gateway process said was on disk, before it was killed
    reported: int
    #: the server's account of it; None: the server does not know it
    server: dict[str, Any] | None

    @property
    def faults(self) -> list[str]:
        """Faults in words."""
        if self.server is None:
            return (
                []
                if self.released == 0
                else ["the server does not know the stream, the spool has released numbers"]
            )
        faults_found = list(self.server["faults"])
        if self.reported > self.appended:
            faults_found.append(
                f"the gateway had {self.reported} on disk, its spool now says {self.appended}"
            )
        if self.released > self.server["acknowledged_through"]:
            faults_found.append(
                f"released through {self.released}, held through {self.server['acknowledged_through']}"
            )
        if self.server["highest"] > self.appended:
            faults_found.append(
                f"the server has seen {self.server['highest']}, the spool gave {self.appended}"
            )
        if self.released and not (self.server["stored"] or self.server["quarantined"] or self.server["shed"]):
            faults_found.append("numbers were released, and the server holds none")
        return faults_found

    @property
    def waiting(self) -> int:
        """Readings that are on the machine only."""
        return self.appended - (self.server["highest"] if self.server else 0)


@dataclass(frozen=True, kw_only=True, slots=True)
class DemoOutcome:
    """The outcome of the demo."""

    fleet: dict[str, Any]
    lines: list[StreamVerdict]
    server_balances: bool
    kills: int
    outages: int
    took_s: float

    @property
    def balances(self) -> bool:
        """True if every number of every stream is accounted for, on both sides."""
        return self.server_balances and bool(self.lines) and not any(line.faults for line in self.lines)


def render(outcome: DemoOutcome, console: Console) -> None:
    """Print the fleet, the account and the verdict, so that they fit the console."""
    wide = console.width >= WIDE
    for table in [*fleet_tables(outcome.fleet, wide=wide), account_table(outcome.lines, wide=wide)]:
        console.print(table)
        console.print()
    for line in outcome.lines:
        for fault in line.faults:
            console.print(f"{line.machine}: {fault}")
    console.print(verdict(outcome))
    console.print()
    console.print(
        "A state is advice: the engine maker's service limit and manual come first. Engine off, key out and"
        " machine secured before anyone opens a housing; never run the engine with the element out."
    )


def verdict(outcome: DemoOutcome) -> str:
    """The last word, in one or two sentences."""
    appended = sum(line.appended for line in outcome.lines)
    waiting = sum(line.waiting for line in outcome.lines)
    gateways = len({line.machine for line in outcome.lines})
    how = (
        f"{counted(appended, 'reading')} on disk at {counted(gateways, 'gateway')}, "
        f"{counted(outcome.kills, 'kill')} in mid-write, {counted(outcome.outages, 'server outage')}, "
        f"{outcome.took_s:.0f} s. "
    )
    if not outcome.balances:
        return how + "The account does NOT balance: see above."
    rest = f" Waiting on machines without coverage: {waiting:,}." if waiting else ""
    return how + f"The account balances: every reading is at the server once, or accounted for.{rest}"


def fleet_tables(fleet: dict[str, Any], *, wide: bool) -> list[Table]:
    """Machines, most urgent first, as of the server's now: one table, or two where the console is narrow."""
    columns: list[tuple[str, Callable[[dict[str, Any]], str], bool]] = [
        ("restriction\nnow / limit\n\\[kPa]", _restriction, True),
        ("share\nused", lambda h: _percent(h["share_used_percent"]), True),
        ("hours left\n10/50/90 %", lambda h: _hours(h["hours_left"]), True),
        ("due date\n10 %", lambda h: _date(h["due_at"], "p10"), False),
        ("\n90 %", lambda h: _date(h["due_at"], "p90"), False),
    ]
    heard: list[tuple[str, Callable[[dict[str, Any]], str], bool]] = [
        ("last heard\n(reading taken)", lambda h: _time(h["last_reading_at"]), False),
        ("quiet because", lambda h: (h["quiet_because"] or "").replace("_", " "), False),
    ]
    title = f"Fleet at {_time(fleet['now'])}"
    if wide:
        return [_of_housings(title, fleet, columns + heard)]
    return [_of_housings(title, fleet, columns), _of_housings("Last heard", fleet, heard)]


def _of_housings(
    title: str, fleet: dict[str, Any], columns: list[tuple[str, Callable[[dict[str, Any]], str], bool]]
) -> Table:
    table = _plain(title)
    table.add_column("machine", no_wrap=True)
    table.add_column("state", max_width=12)
    for name, _, is_number in columns:
        table.add_column(name, justify="right" if is_number else "left", no_wrap=True)
    for housing in fleet["housings"]:
        table.add_row(housing["machine"], housing["state_text"], *(show(housing) for _, show, _ in columns))
    return table


def account_table(lines: list[StreamVerdict], *, wide: bool) -> Table:
    """Where every number of every stream is."""
    table = _plain("Account")
    table.add_column("machine", no_wrap=True)
    if wide:
        table.add_column("stream", no_wrap=True)
    for name in ("seen", "stored", "dupli-\ncates", "quaran-\ntined", "shed", "gaps", "on the\nmachine"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("balance", no_wrap=True)
    for line in lines:
        server = line.server or {}
        keys = ("highest", "stored", "duplicates", "quarantined", "shed", "gap")
        counts = [*(server.get(key, 0) for key in keys), line.waiting]
        stream = [line.stream] if wide else []
        table.add_row(line.machine, *stream, *(f"{n:,}" for n in counts), "no" if line.faults else "yes")
    return table


def _plain(title: str) -> Table:
    return Table(title=title, title_justify="left", box=None, padding=(0, 1, 0, 0), pad_edge=False)


def as_json(outcome: DemoOutcome) -> dict[str, Any]:
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


def _restriction(housing: dict[str, Any]) -> str:
    terminal = housing["terminal_restriction"]
    return f"{_kpa(housing['restriction_pa'])} / {_kpa(terminal['restriction_pa'] if terminal else None)}"


def _kpa(pa: float | None) -> str:
    return "-" if pa is None else f"{pa / 1000:.2f}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{share:.0f} %"


def _hours(points: dict[str, float] | None) -> str:
    return "-" if points is None else "/".join(f"{points[p]:.0f}" for p in ("p10", "p50", "p90"))


def _date(due: dict[str, str | None] | None, point: str) -> str:
    if due is None:
        return "-"
    text = due[point]
    return "after 2100" if text is None else f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d}"


def _time(text: str | None) -> str:
    return "never" if text is None else f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M %Z}"
