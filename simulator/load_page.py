"""
The report of a run under load as one page: verdict, figures and plots, with nothing loaded from outside.

Promises: pure; every text is escaped; each plot has its numbers in a table too. No script.
Leaves to others: figures (`load_timings.py`), their words (`load_report.py`), drawing (`load_plot.py`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final

from cleanside.simulator.load_patterns import PATTERNS
from cleanside.simulator.load_plot import Curve, SpanOfTime, drawn
from cleanside.simulator.load_report import LoadOutcome, kinds, latencies_of, verdict, warnings
from cleanside.simulator.load_timings import PERCENTILES

_STYLE: Final = """
:root { color-scheme: light dark; --ink: #1c2227; --soft: #59646d; --paper: #fcfbf8; --rule: #d6d2c8;
  --first: #8a4b08; --second: #0b5d6b; }
@media (prefers-color-scheme: dark) { :root { --ink: #e9e6df; --soft: #a7b0b6; --paper: #171b1e;
  --rule: #3a4147; --first: #e0a35a; --second: #62c0cf; } }
body { font: 16px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--paper);
  max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem } h2 { font-size: 1.1rem; margin-top: 2rem }
table { border-collapse: collapse } th, td { padding: .2rem .8rem .2rem 0; text-align: right;
  border-bottom: 1px solid var(--rule); font-variant-numeric: tabular-nums }
th:first-child, td:first-child { text-align: left }
svg { width: 100%; height: auto } svg text { font: 12px system-ui, sans-serif; fill: var(--soft) }
svg .rule { stroke: var(--rule) } svg .trouble { fill: var(--soft); opacity: .15 }
svg .curve { fill: none; stroke-width: 2 } svg .first { stroke: var(--first) }
svg .second { stroke: var(--second); stroke-dasharray: 6 3 }
svg text.first { fill: var(--first); stroke: none } svg text.second { fill: var(--second); stroke: none }
.no { font-weight: bold }
"""


def page_of(outcome: LoadOutcome) -> str:
    """The whole page."""
    plan = outcome.plan
    title, about = f"Load: {plan.pattern}", PATTERNS[plan.pattern].about
    parts = [
        f"<h1>{escape(title)}</h1>",
        f"<p>{escape(about[0].upper() + about[1:])}.</p>",
        f'<p class="{"yes" if outcome.holds else "no"}">{escape(verdict(outcome))}</p>',
        *(f"<p>{escape(line)}</p>" for line in [*warnings(outcome), *outcome.troubles]),
        "<h2>The run</h2>",
        _table(("what", "value"), _about(outcome)),
        "<h2>What the server holds</h2>",
        _held(outcome),
        "<h2>Time to the acknowledgement</h2>",
        _latencies(outcome),
        *_plots(outcome),
        "<h2>Requests by outcome</h2>",
        _table(("status, or why there was no answer", "requests"), outcome.figures.outcomes.most_common()),
        "<h2>The plots as numbers</h2>",
        _slices(outcome),
    ]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<style>{_STYLE}</style></head>\n<body><main>\n" + "\n".join(parts) + "\n</main></body></html>\n"
    )


def _about(outcome: LoadOutcome) -> list[tuple[str, str]]:
    plan, figures = outcome.plan, outcome.figures
    sent = figures.sent_bytes / max(1, figures.acknowledged)
    return [
        ("machines", f"{plan.machines:,}"),
        ("a reading every [s]", f"{plan.interval_s:g}"),
        ("readings due each second", f"{plan.machines / plan.interval_s:,.1f}"),
        ("backlog of each machine that comes back", f"{plan.backlog:,}"),
        ("run [s], with what was left after it [s]", f"{plan.duration_s:g}, {outcome.took_s:.1f}"),
        ("bytes sent for each acknowledged reading", f"{sent:.1f}"),
        ("duplicates that the server counted", f"{figures.duplicates:,}"),
        ("seed", str(plan.seed)),
    ]


def _held(outcome: LoadOutcome) -> str:
    if outcome.findings is None:
        return "<p>Not checked.</p>"
    rows = _table(("readings", "count"), [(kind, f"{n:,}") for kind, n in kinds(outcome.findings).items()])
    named = "".join(f"<li>{escape(f'{f.kind}: {f.device}: {f.detail}')}</li>" for f in outcome.findings)
    return rows + (f"<ul>{named}</ul>" if named else "")


def _latencies(outcome: LoadOutcome) -> str:
    head = ("readings [ms]", "count", *(f"p{p:g}" if p < 100 else "max" for p in PERCENTILES))
    rows = [
        (name, f"{part.count:,}", *(f"{part.at_percentile_ms(p):,.1f}" for p in PERCENTILES))
        for name, part in latencies_of(outcome.figures)
        if part.count
    ]
    return _table(head, rows)


def _plots(outcome: LoadOutcome) -> Iterable[str]:
    figures, step_s = outcome.figures, outcome.figures.slice_s
    first_s, last_s = outcome.plan.trouble_s()
    trouble = SpanOfTime(first_s, last_s, "trouble") if last_s > first_s else None
    live = [(n * step_s, p50, p99) for n, p50, p99 in figures.live.by_slice()]
    yield "<h2>Live readings: time to the acknowledgement</h2>" + drawn(
        [
            Curve("99 %", "first", [(s, p99) for s, _, p99 in live]),
            Curve("50 %", "second", [(s, p50) for s, p50, _ in live]),
        ],
        unit="ms",
        trouble=trouble,
        in_powers=True,
    )
    slices = figures.timeline()
    yield "<h2>Readings due and acknowledged</h2>" + drawn(
        [
            Curve("acknowledged", "first", [(n * step_s, part.acknowledged / step_s) for n, part in slices]),
            Curve("due", "second", [(n * step_s, part.sampled / step_s) for n, part in slices]),
        ],
        unit="readings/s",
        trouble=trouble,
    )
    yield "<h2>Readings that wait in the machines</h2>" + drawn(
        [Curve("waiting", "first", [(n * step_s, float(part.waiting)) for n, part in slices])],
        unit="readings",
        trouble=trouble,
    )


def _slices(outcome: LoadOutcome) -> str:
    figures = outcome.figures
    live = {number: (p50, p99) for number, p50, p99 in figures.live.by_slice()}
    rows = []
    for number, part in figures.timeline():
        times = [f"{ms:,.1f}" for ms in live[number]] if number in live else ["-", "-"]
        counts = (part.sampled, part.acknowledged, part.requests, part.waiting)
        rows.append((f"{number * figures.slice_s}", *(f"{n:,}" for n in counts), *times))
    head = ("from [s]", "due", "acknowledged", "requests", "waiting", "live p50 [ms]", "live p99 [ms]")
    return f"<details><summary>{len(rows)} slices</summary>{_table(head, rows)}</details>"


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    heads = "".join(f'<th scope="col">{escape(name)}</th>' for name in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>"
