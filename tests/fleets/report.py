"""The score of one fleet or of several as a table: value, 95 % interval, count, and what is wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np

from tests.fleets.intervals import clopper_pearson, lower_bound, over_machines
from tests.fleets.score import (
    COSTED_DAYS,
    DEEP,
    LATE_COSTS,
    LEAD_WIDTH,
    LEADS_DAYS,
    NEAR_DAYS,
    Dated,
    EntryWas,
    MachineScore,
    NewElement,
)
from tests.fleets.truth import Proxy

Scores = Sequence[MachineScore]


#: events a cause, and the least that their lower bound may be, as the issue has them
WANTED_EVENTS, WANTED_BOUND = 40, 0.85
#: operating hours until a new element is found: a shift where the fall is deep
DEEP_WITHIN_H, ELSE_WITHIN_H = 10.0, 30.0
NONE = float("nan")


@dataclass(frozen=True, kw_only=True)
class Figure:
    """A row of the table. NaN: nothing to count, or no such interval."""

    name: str
    value: float
    #: 95 % interval by drawing machines again
    low: float
    high: float
    count: int
    #: as the issue has it; "": beside the table
    wanted: str = ""
    #: of a share of events: how many of `count`, and the exact 95 % interval; None: no share of events
    hits: int | None = None
    exact: tuple[float, float] = (NONE, NONE)
    #: the lower 95 % bound of a share that should be high
    bound: float = NONE


def figures(scores: Scores) -> list[Figure]:
    """The table of machines of one fleet or of several."""
    return [
        *_changes(scores),
        *_entries(scores),
        *_alarms(scores),
        *_causes(scores),
        *_shares(scores),
        *_dates(scores),
        *_days(scores),
    ]


def lines(rows: Sequence[Figure]) -> list[str]:
    """The table as Markdown. A share of events has the count of hits and the exact interval and bound too."""
    head = [
        "| figure | value | of | exact 95 % interval | lower 95 % bound | 95 % over machines | wanted |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    return head + [
        f"| {r.name} | {_text(r.value)} | {r.count if r.hits is None else f'{r.hits}/{r.count}'} "
        f"| {_interval(*r.exact)} | {_text(r.bound)} | {_interval(r.low, r.high)} | {r.wanted} |"
        for r in rows
    ]


def events(rows: Sequence[Figure], seeds: int) -> list[str]:
    """
    As Markdown: of each share of events that has a target and a bound, whether there are enough of them and
    whether its bound is high enough.

    seeds : of which the rows are, of each generator. As many events are expected of each other seed.
    """
    head = [
        f"| share of events | found | lower 95 % bound, {WANTED_BOUND:g} wanted "
        f"| seeds for {WANTED_EVENTS} events, of {seeds} |",
        "| --- | --- | --- | --- |",
    ]
    return head + [
        f"| {r.name} | {r.hits}/{r.count} | {_text(r.bound)}{'' if r.bound >= WANTED_BOUND else ', less'} "
        f"| {seeds_for(r.count, seeds) or '-'} |"
        for r in rows
        if r.hits is not None and r.wanted and not np.isnan(r.bound)
    ]


def seeds_for(count: int, seeds: int) -> int:
    """Seeds of each generator for `WANTED_EVENTS`, where so many had a count; 0: not known."""
    return ceil(WANTED_EVENTS * seeds / count) if count else 0


def side_by_side(named: Mapping[str, Scores]) -> list[str]:
    """The values alone as Markdown, a column for each of several groups of machines, with the counts."""
    tables = {name: {row.name: row for row in figures(scores)} for name, scores in named.items()}
    every = dict.fromkeys(name for table in tables.values() for name in table)
    head = [f"| figure | {' | '.join(named)} |", f"| --- |{' --- |' * len(named)}"]
    return head + [
        f"| {name} | {' | '.join(_short(table.get(name)) for table in tables.values())} |" for name in every
    ]


def _short(row: Figure | None) -> str:
    if row is None or not row.count:
        return "-"
    return f"{_text(row.value)} of {row.count}" if row.hits is None else f"{row.hits}/{row.count}"


def _interval(low: float, high: float) -> str:
    return "-" if np.isnan(low) else f"{_text(low)} to {_text(high)}"


def _text(value: float) -> str:
    return "-" if np.isnan(value) else f"{value:.2f}" if abs(value) < 10 else f"{value:.1f}"


# ---------------------------------------------------------------- shares of events


def _share(
    name: str,
    scores: Scores,
    hits_of: Callable[[MachineScore], list[bool]],
    wanted: str = "",
    *,
    is_good: bool = True,
) -> Figure:
    """
    A share of events, with the exact interval as if they were independent, and that over machines.

    is_good : False: a hit is a mistake, and no lower bound says anything.
    """
    hits = [hit for score in scores for hit in hits_of(score)]
    over = _over(name, scores, lambda some: _mean([h for s in some for h in hits_of(s)]), len(hits), wanted)
    return replace(
        over,
        hits=sum(hits),
        exact=clopper_pearson(sum(hits), len(hits)) if hits else (NONE, NONE),
        bound=lower_bound(sum(hits), len(hits)) if hits and is_good else NONE,
    )


def _changes(scores: Scores) -> list[Figure]:
    def found(*proxies: Proxy) -> Callable[[MachineScore], list[bool]]:
        return lambda score: [new.is_found for new in score.new if new.proxy in proxies]

    with_proxy = [proxy for proxy in Proxy if proxy is not Proxy.NOTHING]
    rows = [_share("new element found, some flow measure", scores, found(*with_proxy), "0.95")]
    for proxy in Proxy:
        wanted = "0.85" if proxy is Proxy.NOTHING else ""
        rows.append(_share(f"new element found, {proxy}", scores, found(proxy), wanted))
    return [
        *rows,
        _share(
            "new element found or asked about", scores, lambda s: [n.is_found or n.is_asked for n in s.new]
        ),
        *_until_found(scores),
        _share(
            "cleaned element found or asked about",
            scores,
            lambda s: [asked for _, asked, _ in s.cleaned],
            "0.8",
        ),
        _share(
            "cleaned element called a new one",
            scores,
            lambda s: [as_new for _, _, as_new in s.cleaned],
            is_good=False,
        ),
    ]


def _until_found(scores: Scores) -> list[Figure]:
    """How long it took: of all, and of deep falls and others apart."""
    return [
        *_hours(scores, "", lambda _: True),
        *_hours(scores, f", fall to {DEEP:g} or lower", lambda new: new.is_deep, DEEP_WITHIN_H),
        *_hours(scores, ", fall not so deep", lambda new: not new.is_deep, ELSE_WITHIN_H),
    ]


def _hours(
    scores: Scores, side: str, is_of: Callable[[NewElement], bool], within_h: float | None = None
) -> list[Figure]:
    """Hours until those of a kind were found, and how many of all were within the hours wanted."""

    def hours(part: float) -> Callable[[Scores], float]:
        return lambda some: _quantile([n.hours for s in some for n in s.new if n.is_found and is_of(n)], part)

    found = sum(new.is_found and is_of(new) for score in scores for new in score.new)
    name = "operating hours until found"
    rows = [
        _over(f"{name}, median{side}", scores, hours(0.5), found, f"{within_h:g}" if within_h else ""),
        _over(f"{name}, 90 of 100{side}", scores, hours(0.9), found),
    ]
    if within_h is not None:

        def in_time(score: MachineScore) -> list[bool]:
            return [new.is_found and new.hours <= within_h for new in score.new if is_of(new)]

        rows.append(_share(f"new element found within {within_h:g} h{side}", scores, in_time))
    return rows


def _entries(scores: Scores) -> list[Figure]:
    """Which entries became questions. Those dated by the day of the entry may: their date is wrong."""
    return [_entry(scores, was) for was in EntryWas]


def _entry(scores: Scores, was: EntryWas) -> Figure:
    is_wrong = was is EntryWas.WRONG_MACHINE
    name = f"{was} entry questioned" if is_wrong or was is EntryWas.RIGHT else f"entry {was}: questioned"
    return _share(
        name, scores, lambda score: [hit for of, hit in score.entries if of is was], is_good=is_wrong
    )


def _causes(scores: Scores) -> list[Figure]:
    rows = []
    for label in sorted({cause.label for score in scores for cause in score.causes}):

        def kept(score: MachineScore, label: str = label) -> list[bool]:
            return [c.in_time and c.is_kept for c in score.causes if c.label == label]

        def ever(score: MachineScore, label: str = label) -> list[bool]:
            return [c.ever for c in score.causes if c.label == label]

        rows.append(_share(f"{label}: in a day's work, kept", scores, kept, "0.95"))
        rows.append(_share(f"{label}: ever", scores, ever))
    return rows


# ---------------------------------------------------------------- figures over machines


def _over(
    name: str, scores: Scores, figure: Callable[[Scores], float], count: int, wanted: str = ""
) -> Figure:
    """A figure with the interval over machines."""
    low, high = over_machines(scores, figure) if count else (NONE, NONE)
    return Figure(name=name, value=figure(scores), low=low, high=high, count=count, wanted=wanted)


def _median(values: Sequence[float]) -> float:
    return _quantile(values, 0.5)


def _quantile(values: Sequence[float], part: float) -> float:
    return float(np.quantile(values, part)) if len(values) else NONE


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
    return float(np.mean(values)) if len(values) else NONE


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
    )
    of_days = [
        _over(
            name,
            scores,
            lambda some, of=of: _mean([hit for s in some for hit in of(s)]),  # type: ignore[misc]
            sum(len(of(s)) for s in scores),
            wanted,
        )
        for name, of, wanted in named
    ]
    return [
        *of_days,
        _share("latched, warned the evening before", scores, lambda s: s.latched_day, "1"),
        _share("latched, warned a week before", scores, lambda s: s.latched_week, "0.9"),
    ]
