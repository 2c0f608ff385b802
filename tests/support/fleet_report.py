"""
What the scores of a simulated fleet come to: figures with 95 % intervals beside their goals, and the misses.

Leaves to others: counting (`fleet_truth`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.support.fleet_truth import LEADS_DAYS, Floats, Machine, Row, Score, bootstrap

CHANGE_GOAL, CAUSE_GOAL, ALARMS_GOAL_PER_YEAR, HELD_GOAL = 0.98, 0.95, 0.2, 0.80


@dataclass(frozen=True)
class Figure:
    """One line of the report."""

    name: str
    value: float
    low: float
    high: float
    count: int
    goal: float | None = None
    at_most: bool = False
    unit: str = ""

    @property
    def verdict(self) -> str:
        """Said of the value itself; the interval stands beside it."""
        if self.goal is None or np.isnan(self.value):
            return ""
        reached = self.value <= self.goal if self.at_most else self.value >= self.goal
        return f"{'<=' if self.at_most else '>='} {self.goal:g}: {'reached' if reached else 'NOT reached'}"


def figures_of(scores: Sequence[Score]) -> list[Figure]:
    """All figures, in the order in which they are printed."""
    return [*_changes(scores), *_causes(scores), *_dates(scores), *_horizons(scores)]


def figures_by_flow(machines: Sequence[Machine], scores: Sequence[Score]) -> list[Figure]:
    """What is found of changes by what the machine reports of its air flow."""
    names = {"air_mass_flow": "air mass flow", "boost": "boost", "speed": "speed alone", "nothing": "nothing"}
    found = []
    for proxy, name in names.items():
        of_it = [s for m, s in zip(machines, scores, strict=True) if m.about["proxy"] == proxy]
        if of_it:
            found += [
                _recall(f"changes by {name}: recall", of_it),
                _precision(f"changes by {name}: precision", of_it),
            ]
    return found


def _mean(values: Floats) -> float:
    return float(np.mean(values))


def _median(values: Floats) -> float:
    return float(np.nanmedian(values)) if np.any(~np.isnan(values)) else float("nan")


def _median_size(values: Floats) -> float:
    return _median(np.abs(values))


def _figure(
    name: str,
    scores: Sequence[Score],
    pick: Callable[[Score], Sequence[float]],
    statistic: Callable[[Floats], float] = _mean,
    **more: Any,
) -> Figure:
    parts = [pick(s) for s in scores]
    value, low, high = bootstrap(parts, statistic)
    return Figure(name, value, low, high, sum(len(p) for p in parts), **more)


def _recall(name: str, scores: Sequence[Score]) -> Figure:
    return _figure(name, scores, lambda s: [r["found"] for r in s.recalled], goal=CHANGE_GOAL)


def _precision(name: str, scores: Sequence[Score]) -> Figure:
    return _figure(name, scores, lambda s: [r["right"] for r in s.precise], goal=CHANGE_GOAL)


def _changes(scores: Sequence[Score]) -> list[Figure]:
    def found(began: str) -> Callable[[Score], list[float]]:
        return lambda s: [r["found"] for r in s.recalled if r["began"] == began]

    return [
        _recall("changes: recall", scores),
        _figure("changes: recall, new element", scores, found("new"), goal=CHANGE_GOAL),
        _figure("changes: recall, cleaned element", scores, found("cleaned"), goal=CHANGE_GOAL),
        _precision("changes: precision", scores),
        _figure(
            "changes: rightly told new or cleaned",
            scores,
            lambda s: [r["word"] for r in s.precise if r["right"]],
        ),
        _figure(
            "changes: told after",
            scores,
            lambda s: [r["late_days"] for r in s.recalled if r["began"] == "new"],
            _median,
            unit="d",
        ),
    ]


def _causes(scores: Sequence[Score]) -> list[Figure]:
    def caught(name: str) -> Callable[[Score], list[float]]:
        return lambda s: [r["caught"] for r in s.caught if r["cause"] == name]

    names = sorted({r["cause"] for s in scores for r in s.caught})
    found = [_figure(f"suspect: recall, {n}", scores, caught(n), goal=CAUSE_GOAL) for n in names]
    # The mean over machines of alarms, over the length of a machine's time: all machines are watched as long.
    years = float(np.mean([s.years for s in scores])) if scores else 1.0
    alarms = _figure(
        "suspect: false alarms a machine-year",
        scores,
        lambda s: [len(s.alarms) / years],
        goal=ALARMS_GOAL_PER_YEAR,
        at_most=True,
    )
    return [*found, alarms]


def _dates(scores: Sequence[Score]) -> list[Figure]:
    found = []
    for lead in LEADS_DAYS:

        def of(name: str, by: str, lead: float = lead) -> Callable[[Score], list[float]]:
            return lambda s: [
                r[name] for r in s.dates if r["lead"] == lead and r["by"] == by and r["trusted"]
            ]

        label, said = f"due date {lead:g} d ahead", f"due date said {lead:g} d ahead"
        found += [
            _figure(f"{label}: median error", scores, of("error_days", "true"), _median_size, unit="d"),
            _figure(f"{label}: median of (said - true)", scores, of("error_days", "true"), _median, unit="d"),
            _figure(f"{label}: 80 % interval holds", scores, of("inside", "true"), goal=HELD_GOAL),
            _figure(f"{label}: its width", scores, of("width_days", "true"), _median, unit="d"),
            _figure(
                f"{label}: hours left, interval holds", scores, of("left_inside", "true"), goal=HELD_GOAL
            ),
            _figure(f"{said}: median error", scores, of("error_days", "said"), _median_size, unit="d"),
            _figure(f"{said}: 80 % interval holds", scores, of("inside", "said"), goal=HELD_GOAL),
        ]

    def on_any_day(name: str) -> Callable[[Score], list[float]]:
        return lambda s: [r[name] for r in s.any_day]

    return [
        *found,
        _figure("any day, a life once: 80 % interval holds", scores, on_any_day("inside"), goal=HELD_GOAL),
        _figure("any day, a life once: hours left, holds", scores, on_any_day("left_inside"), goal=HELD_GOAL),
    ]


def _horizons(scores: Sequence[Score]) -> list[Figure]:
    return [
        _figure(
            "prognostic horizon (5 %)",
            scores,
            lambda s: [r["horizon_h"] for r in s.horizons],
            _median,
            unit="h",
        ),
        _figure(
            "prognostic horizon, share of life", scores, lambda s: [r["share"] for r in s.horizons], _median
        ),
    ]


def table_lines(figures: Sequence[Figure]) -> list[str]:
    """The figures as a table of plain text."""
    lines = [f"{'':48}{'value':>8}    95 % interval      n"]
    for f in figures:
        interval = f"{f.low:.3g} to {f.high:.3g}"
        lines.append(f"{f.name:48}{f.value:>8.3f} {f.unit:1}{interval:>17}{f.count:>7}  {f.verdict}".rstrip())
    return lines


def miss_lines(machine: Machine, of_machine: Score) -> list[str]:
    """One line for each thing missed or wrong on a machine, in time order: day of its year, what."""
    about = f"{machine.name} ({machine.about['proxy']})"
    found: list[tuple[float, str]] = []
    for r in of_machine.recalled:
        if not r["found"]:
            found.append((r["at_s"], f"missed change ({r['began']}), fall {r['fall']:.0%}"))
    for r in of_machine.precise:
        if not r["right"]:
            found.append((r["at_s"], f"wrong change{_near(machine, r['at_h'])}"))
    for r in of_machine.alarms:
        found.append((r["at_s"], f"false alarm {r['cause']}{_near(machine, r['seen_h'])}"))
    for r in of_machine.caught:
        if not r["caught"]:
            found.append((_from_s(machine, r), f"missed {r['cause']}: {_how(machine, r)}"))
    start_s = machine.about["start_s"]
    return [f"{about} day {(at_s - start_s) / 86400:.1f}: {line}" for at_s, line in sorted(found)]


def _from_s(machine: Machine, row: Row) -> float:
    return float(next(c["from_s"] for c in machine.causes if c["from_h"] == row["from_h"]))


def _how(machine: Machine, row: Row) -> str:
    cause = next(c for c in machine.causes if c["from_h"] == row["from_h"])
    return f"{cause['how']} {cause['size']:.3g} for {cause['until_h'] - cause['from_h']:.0f} h"


def _near(machine: Machine, at_h: float) -> str:
    """What else went on at that operating hour, for a person who looks for the reason."""
    at_s = float(np.interp(at_h, machine.operating_h, machine.at_s))
    causes = [c["cause"] for c in machine.causes if c["from_h"] - 48 <= at_h <= c["until_h"] + 48]
    others = [
        h["what"]
        for h in machine.happenings
        if h["from_s"] - 86400 <= at_s <= h["until_s"] + 86400 and (h["what"] != "wet" or h["size"] > 0.15)
    ]
    return f" near {', '.join([*causes, *others])}" if causes or others else ""
