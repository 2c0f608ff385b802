"""The score of one fleet or of several as a table: value, 95 % interval, count, and what is wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.fleets.intervals import clopper_pearson, over_machines
from tests.fleets.score import (
    COSTED_DAYS,
    LATE_COSTS,
    LEAD_WIDTH,
    LEADS_DAYS,
    NEAR_DAYS,
    Dated,
    MachineScore,
)
from tests.fleets.truth import Proxy

Scores = Sequence[MachineScore]


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A row of the table. NaN: nothing to count."""

    name: str
    value: float
    low: float
    high: float
    count: int
    #: as the issue has it; "": beside the table
    wanted: str = ""


def figures(scores: Scores) -> list[Figure]:
    """The table of machines of one fleet or of several."""
    return [
        *_changes(scores),
        *_alarms(scores),
        *_causes(scores),
        *_shares(scores),
        *_dates(scores),
        *_days(scores),
    ]


def lines(rows: Sequence[Figure]) -> list[str]:
    """The table as Markdown."""
    head = ["| figure | value | 95 % interval | of | wanted |", "| --- | --- | --- | --- | --- |"]
    return head + [
        f"| {r.name} | {_text(r.value)} | {_text(r.low)} to {_text(r.high)} | {r.count} | {r.wanted} |"
        for r in rows
    ]


def side_by_side(named: Mapping[str, Scores]) -> list[str]:
    """The values alone as Markdown, a column for each of several groups of machines, with the counts."""
    tables = {name: {row.name: row for row in figures(scores)} for name, scores in named.items()}
    every = dict.fromkeys(name for table in tables.values() for name in table)
    head = [f"| figure | {' | '.join(named)} |", f"| --- |{' --- |' * len(named)}"]
    return head + [
        f"| {name} | {' | '.join(_short(table.get(name)) for table in tables.values())} |" for name in every
    ]


def _short(row: Figure | None) -> str:
    return "-" if row is None or not row.count else f"{_text(row.value)} of {row.count}"


def _text(value: float) -> str:
    return "-" if np.isnan(value) else f"{value:.2f}" if abs(value) < 10 else f"{value:.1f}"


# ---------------------------------------------------------------- shares of events


def _share(name: str, hits: Sequence[bool], wanted: str = "") -> Figure:
    """A share of events that count one by one, with the exact interval."""
    low, high = clopper_pearson(sum(hits), len(hits))
    value = sum(hits) / len(hits) if hits else float("nan")
    return Figure(name=name, value=value, low=low, high=high, count=len(hits), wanted=wanted)


def _changes(scores: Scores) -> list[Figure]:
    new = [one for score in scores for one in score.new]
    with_proxy = [one for one in new if one.proxy is not Proxy.NOTHING]
    cleaned = [one for score in scores for one in score.cleaned]
    rows = [_share("new element found, some flow measure", [n.is_found for n in with_proxy], "0.95")]
    for proxy in Proxy:
        wanted = "0.85" if proxy is Proxy.NOTHING else ""
        hits = [n.is_found for n in new if n.proxy is proxy]
        rows.append(_share(f"new element found, {proxy}", hits, wanted))
    rows += [
        _share("new element found or asked about", [n.is_found or n.is_asked for n in new]),
        _over(
            "operating hours until found, median",
            scores,
            lambda some: _median([n.hours for s in some for n in s.new if n.is_found]),
            sum(n.is_found for n in new),
            "10 deep, 30 else",
        ),
        _share("cleaned element found or asked about", [asked for _, asked, _ in cleaned], "0.8"),
        _share("cleaned element called a new one", [as_new for _, _, as_new in cleaned]),
        _share("right entry questioned", [hit for s in scores for hit in s.right_questioned]),
        _share("wrong-machine entry questioned", [hit for s in scores for hit in s.wrong_questioned]),
    ]
    return rows


def _causes(scores: Scores) -> list[Figure]:
    found = [cause for score in scores for cause in score.causes]
    rows = []
    for label in sorted({cause.label for cause in found}):
        of_label = [cause for cause in found if cause.label == label]
        rows += [
            _share(f"{label}: in a day's work, kept", [c.in_time and c.is_kept for c in of_label], "0.95"),
            _share(f"{label}: ever", [c.ever for c in of_label]),
        ]
    return rows


# ---------------------------------------------------------------- figures over machines


def _over(
    name: str, scores: Scores, figure: Callable[[Scores], float], count: int, wanted: str = ""
) -> Figure:
    """A figure with the interval over machines."""
    low, high = over_machines(scores, figure) if count else (float("nan"), float("nan"))
    return Figure(name=name, value=figure(scores), low=low, high=high, count=count, wanted=wanted)


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if len(values) else float("nan")


def _rate(of: Callable[[MachineScore], int]) -> Callable[[Scores], float]:
    return lambda some: sum(of(score) for score in some) / sum(score.years for score in some)


def _alarms(scores: Scores) -> list[Figure]:
    def every(score: MachineScore) -> int:
        return score.false_changes + score.false_suspicions

    named = (
        ("false alarms a machine-year: changes and suspicions", every, "0.2"),
        ("false changes a machine-year", lambda s: s.false_changes, ""),
        ("false changes a machine-year, by the span told", lambda s: s.false_changes_by_span, ""),
        ("false suspicions a machine-year", lambda s: s.false_suspicions, ""),
        ("false questions a machine-year", lambda s: s.false_questions, ""),
        ("suspect days without a fault a machine-year", lambda s: s.suspect_days, ""),
    )
    return [_over(name, scores, _rate(of), sum(map(of, scores)), wanted) for name, of, wanted in named]


def _shares(scores: Scores) -> list[Figure]:
    wanted = {Proxy.BOOST: "5", Proxy.MASS_FLOW: "5", Proxy.SPEED: "8", Proxy.SPEED_AND_LOAD: "8"}
    rows = []
    for proxy in Proxy:
        of_proxy = [score for score in scores if score.proxy is proxy]
        rows.append(
            _over(
                f"share used above 70 %, median error in points, {proxy}",
                of_proxy,
                lambda some: _median([error for s in some for error in s.share_errors]),
                sum(len(score.share_errors) for score in of_proxy),
                wanted.get(proxy, "12"),
            )
        )
    seen_new = _over(
        "share used above 70 %, median error in points, elements seen new",
        scores,
        lambda some: _median([error for s in some for error in s.share_errors_seen_new]),
        sum(len(score.share_errors_seen_new) for score in scores),
    )
    return [*rows, seen_new]


def _dates(scores: Scores) -> list[Figure]:
    rows = []
    for lead in LEADS_DAYS:
        for side, days_of in (("true", _true_latch), ("predicted", _predicted)):
            for of, truth in (("latch", _true_latch), ("full flow", _true_full)):
                rows += _at_lead(scores, lead, f"{side} {lead:g} d left, {of}", days_of, truth)
            name = f"{side} {lead:g} d left, latch by its own date"
            rows += _at_lead(_by_own_date(scores), lead, name, days_of, _true_latch)
    cost = _over(
        f"cost of a date in days, late x {LATE_COSTS:g}",
        scores,
        lambda some: _mean([_cost(d) for s in some for d in s.dated if d.latch_days <= COSTED_DAYS]),
        sum(d.latch_days <= COSTED_DAYS for s in scores for d in s.dated),
    )
    return [*rows, cost]


def _by_own_date(scores: Scores) -> Scores:
    """The same with the date of the indicator in the place of the other, where one is said."""
    return [
        replace(
            score,
            dated=[replace(d, points=d.latch_points) for d in score.dated if d.latch_points is not None],
        )
        for score in scores
    ]


def _at_lead(
    scores: Scores,
    lead: float,
    name: str,
    days_of: Callable[[Dated], float],
    truth: Callable[[Dated], float],
) -> list[Figure]:
    width = max(0.5, LEAD_WIDTH * lead)

    def of(some: Scores) -> list[Dated]:
        # The true days left that are compared are also those that are conditioned on.
        by = truth if days_of is _true_latch else days_of
        return [d for s in some for d in s.dated if abs(by(d) - lead) <= width]

    count = len(of(scores))
    return [
        _over(
            f"{name}: median error in days",
            scores,
            lambda some: _median(_errors(of(some), truth)),
            count,
            "1",
        ),
        _over(
            f"{name}: 80 % interval holds",
            scores,
            lambda some: _mean([d.points[0] <= truth(d) <= d.points[2] for d in of(some)]),
            count,
            "0.75 to 0.88",
        ),
    ]


def _errors(some: Sequence[Dated], truth: Callable[[Dated], float]) -> list[float]:
    """Predicted less true days; what never ends within the record and after counts as 60 days."""
    return [min(d.points[1], 60.0) - min(truth(d), 60.0) for d in some]


def _true_latch(dated: Dated) -> float:
    return dated.latch_days


def _true_full(dated: Dated) -> float:
    return dated.full_days


def _predicted(dated: Dated) -> float:
    return dated.points[1]


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _cost(dated: Dated) -> float:
    """What a date is off by, a day late for several early ones; at most `COSTED_DAYS` either way."""
    off = float(np.clip(dated.points[1] - dated.latch_days, -COSTED_DAYS, COSTED_DAYS))
    return off * LATE_COSTS if off > 0 else -off


def _days(scores: Scores) -> list[Figure]:
    named = (
        (f"at most {NEAR_DAYS:g} d to the latch, shown as in service", lambda s: s.near, "0.05"),
        (f"at most {NEAR_DAYS:g} d to the limit at full flow, in service", lambda s: s.near_full, ""),
        ("fault present, shown as in service", lambda s: s.faulty, "0.03"),
        ("the same without monitors swapped", lambda s: s.faulty_not_swapped, ""),
        ("latched, warned the evening before", lambda s: s.latched_day, "1"),
        ("latched, warned a week before", lambda s: s.latched_week, "0.9"),
    )
    return [
        _over(
            name,
            scores,
            lambda some, of=of: _mean([hit for s in some for hit in of(s)]),  # type: ignore[misc]
            sum(len(of(s)) for s in scores),
            wanted,
        )
        for name, of, wanted in named
    ]
