"""
The report of a run under load: a verdict, tables, and the same for a program.

Promises: pure; every number has its unit.
Leaves to others: measuring (`load_timings.py`), the page with plots (`load_page.py`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from rich.console import Console
from rich.table import Table

from cleanside.gateway.units import counted
from cleanside.simulator.held_check import KINDS, HeldWrongly
from cleanside.simulator.load_patterns import PATTERNS, LoadPlan
from cleanside.simulator.load_timings import PERCENTILES, Figures, Latencies

LATE_MS: Final = 100.0  # a generator that is later than that measures itself; chosen
FINDINGS_SHOWN: Final = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadOutcome:
    """All that a run found."""

    plan: LoadPlan
    figures: Figures
    #: how many readings each machine sampled
    sampled: Sequence[int]
    #: until everything was acknowledged, or given up [s]
    took_s: float
    #: None: there was no check
    findings: Sequence[HeldWrongly] | None
    #: why machines stopped early
    troubles: Sequence[str] = ()

    @property
    def holds(self) -> bool:
        """Everything sampled is acknowledged, and the server holds all of it, once, as it was."""
        return not (self.figures.waiting or self.troubles or self.findings or self.findings is None)


def kinds(findings: Sequence[HeldWrongly]) -> dict[str, int]:
    """Readings of each kind of finding, all kinds named."""
    counts = Counter(dict.fromkeys(KINDS, 0))
    for finding in findings:
        counts[finding.kind] += finding.readings
    return dict(counts)


def verdict(outcome: LoadOutcome) -> str:
    """The last word, in a sentence."""
    figures = outcome.figures
    head = (
        f"{counted(figures.sampled, 'reading')} sampled by {counted(outcome.plan.machines, 'machine')}, "
        f"{figures.acknowledged:,} acknowledged in {outcome.took_s:.1f} s. "
    )
    if outcome.findings is None:
        return head + "The server was not checked."
    tail = ", ".join(f"{many:,} {kind}" for kind, many in kinds(outcome.findings).items())
    return head + ("All of it holds: " if outcome.holds else "NOT all of it holds: ") + tail + "."


def warnings(outcome: LoadOutcome) -> list[str]:
    """What makes the figures doubtful."""
    lag_ms = outcome.figures.lag.at_percentile_ms(99.0)
    if lag_ms <= LATE_MS:
        return []
    return [
        f"The load generator was {lag_ms:.0f} ms late itself (p99): latencies include that. "
        "Use fewer machines or a longer interval, or run it on another machine."
    ]


def render(outcome: LoadOutcome, console: Console) -> None:
    """Print tables and verdict."""
    for table in (_latency_table(outcome.figures), _outcome_table(outcome.figures)):
        console.print(table)
        console.print()
    for line in [*warnings(outcome), *outcome.troubles, *_findings(outcome)]:
        console.print(line, soft_wrap=True, highlight=False, markup=False)
    console.print(verdict(outcome), soft_wrap=True, highlight=False)


def _findings(outcome: LoadOutcome) -> list[str]:
    found = outcome.findings or ()
    lines = [f"{f.kind}: {f.device}: {counted(f.readings, 'reading')}, {f.detail}" for f in found]
    more = len(lines) - FINDINGS_SHOWN
    return lines[:FINDINGS_SHOWN] + (
        [f"and {counted(more, 'finding')} more, all in --json"] if more > 0 else []
    )


def latencies_of(figures: Figures) -> list[tuple[str, Latencies]]:
    """The kinds of latency, each with what it counts from."""
    return [
        ("live, from when it was due", figures.live),
        ("backlog, from when the link came back", figures.backlog),
        ("lag of the generator itself", figures.lag),
    ]


def _latency_table(figures: Figures) -> Table:
    table = _plain("Time to the acknowledgement [ms]")
    table.add_column("readings")
    table.add_column("count", justify="right")
    for percentile in PERCENTILES:
        table.add_column(f"p{percentile:g}" if percentile < 100 else "max", justify="right")
    for name, latencies in latencies_of(figures):
        shown = [f"{latencies.at_percentile_ms(p):,.1f}" if latencies.count else "-" for p in PERCENTILES]
        table.add_row(name, f"{latencies.count:,}", *shown)
    return table


def _outcome_table(figures: Figures) -> Table:
    table = _plain("Requests by outcome")
    table.add_column("status, or why there was no answer")
    table.add_column("requests", justify="right")
    for what, many in figures.outcomes.most_common():
        table.add_row(what, f"{many:,}")
    return table


def _plain(title: str) -> Table:
    return Table(title=title, title_justify="left", box=None, padding=(0, 1, 0, 0), pad_edge=False)


def document_of(outcome: LoadOutcome) -> dict[str, Any]:
    """The same for a program; `cleanside-simulator check` reads the plan and the counts again."""
    figures, findings = outcome.figures, outcome.findings
    return {
        "holds": outcome.holds,
        "verdict": verdict(outcome),
        "warnings": warnings(outcome),
        "plan": outcome.plan.as_json(),
        "about": PATTERNS[outcome.plan.pattern].about,
        "took_s": round(outcome.took_s, 2),
        "sampled": figures.sampled,
        "sampled_by_machine": list(outcome.sampled),
        "acknowledged": figures.acknowledged,
        "duplicates": figures.duplicates,
        "quarantined": figures.quarantined,
        "sent_bytes": figures.sent_bytes,
        "requests": dict(figures.outcomes),
        "latencies": {name: latencies.as_json() for name, latencies in latencies_of(figures)},
        "slice_s": figures.slice_s,
        "slices": [asdict(part) for _, part in figures.timeline()],
        "troubles": list(outcome.troubles),
        "check": None if findings is None else kinds(findings),
        "findings": None if findings is None else [asdict(finding) for finding in findings],
    }
