"""
What a late reading makes again: an hour of work that comes after all others, on the fleets for tuning.

    python -m tests.benchmark.bench_late [--machines N] [--seed N] [--hours N] [--generators A,B]

An hour's summary is that of its own readings, so no other summary changes. Levels and lives follow from what
is learned over the whole record, and one hour more can move that. For each measure of flow: the share of the
hours held back with which anything that is learned moved to another step; with which the level of any hour of
an element that was out a week before moved; with which anything that is said of such an element moved; and
the share of the steps of the model up to a week before that were made again.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts, Summaries
from cleanside.ingest.restriction.elements.explain import FollowedHistories
from cleanside.ingest.restriction.elements.lives import LifeSpan, tell_lives
from cleanside.ingest.restriction.measure.summary import HOUR_S, FloatArray, IntArray
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours
from tests.benchmark.bench_share_parts import known_machines
from tests.fleets.making import make_fleet
from tests.fleets.truth import Proxy

WEEK_S = 7 * 24 * HOUR_S  # before the hour: nearer ones share its zero, its shift and its step
LEAST_PA = 1.0  # of a level beside another, so that one of nothing has a logarithm
FIRST_SHARE = 0.3  # of the record: before, no element was changed as a rule


@dataclass(frozen=True, kw_only=True)
class Late:
    """What one hour that came last made again."""

    #: exponent, reference flow, response to load or air, or usual steps, pace and share of stops
    is_learned_again: bool
    #: the level of an hour of an element that was out a week before moved
    moves_levels: bool
    #: by how much at most [ln]
    by: float
    #: beginning, end, levels or hours of such an element are said otherwise
    moves_lives: bool
    #: steps of the model up to a week before the hour, and how many were worked out again
    steps: int
    again: int


@dataclass(frozen=True)
class _Told:
    hour_s: FloatArray
    level_pa: FloatArray
    flow_ratio: FloatArray
    learned: tuple[object, ...]
    lives: tuple[LifeSpan, ...]
    #: instant of each step, and what it rests on
    step_s: list[float]
    rests_on: list[object]


def without(table: Summaries, row: int) -> tuple[Summaries, Summaries]:
    """The hours but one, and that one."""
    hour = slice(row, row + 1)
    bins = table.bins[table.bin_starts[row] : table.bin_starts[row + 1]]
    one = Summaries(table.hours[hour], bins, table.bin_count[hour], table.parts[hour])
    none = Summaries(table.hours[:0], table.bins[:0], table.bin_count[:0], [])
    fresh = Summaries(table.hours, table.bins, table.bin_count, table.parts)
    return fresh.patched(none, gone=[int(table.hours["hour_s"][row])]), one


def held_back(table: Summaries, facts: HousingFacts, rows: IntArray) -> Iterator[Late]:
    """Each of these hours comes after all others."""
    for row in rows.tolist():
        before, one = without(table, row)
        first = _tell(before, facts)
        then = _tell(before.patched(one), facts)
        yield _compared(first, then, float(table.hours["hour_s"][row]) - WEEK_S)


def _tell(table: Summaries, facts: HousingFacts) -> _Told:
    measured = measure_hours(table, facts)
    history = tell_history(measured, facts)
    followed = measured.table.handed_on("histories", FollowedHistories)._last
    believed = measured.series.hour_s[measured.believed()]
    usual_steps = followed[0][0][1] if followed else None
    pieces = [rests_on[0] if number == 0 else rests_on[1] for number, (rests_on, _) in enumerate(followed)]
    return _Told(
        measured.series.hour_s,
        measured.series.restriction_pa,
        measured.series.flow_ratio,
        (measured.reference.scale, usual_steps),
        tuple(tell_lives(measured.series, history.cuts)),
        [float(believed[piece.first]) for piece in pieces],
        [rests_on for rests_on, _ in followed],
    )


def _compared(first: _Told, then: _Told, until_s: float) -> Late:
    ended, ended_then = (
        [life for life in some.lives if life.end_s is not None and life.end_s <= until_s]
        for some in (first, then)
    )
    last_s = max((life.end_s or 0.0 for life in ended), default=0.0)
    before, after = (some.level_pa[some.hour_s < last_s] for some in (first, then))
    # The highest flow of an hour over the reference shows the response to load, which `scale` has not.
    flow, flow_then = (some.flow_ratio[some.hour_s < until_s] for some in (first, then))
    steps = sum(at_s <= until_s for at_s in first.step_s)
    pairs = zip(first.rests_on[:steps], then.rests_on[:steps], strict=False)
    same = next((n for n, (a, b) in enumerate(pairs) if a != b), min(steps, len(then.rests_on)))
    return Late(
        is_learned_again=first.learned != then.learned or not np.array_equal(flow, flow_then, equal_nan=True),
        moves_levels=not np.array_equal(before, after, equal_nan=True),
        by=_moved(first, then, last_s),
        moves_lives=ended != ended_then,
        steps=steps,
        again=steps - same,
    )


def _moved(first: _Told, then: _Told, last_s: float) -> float:
    """By how much the level of an hour before an instant moved at most. [ln]"""
    hours, mine, others = np.intersect1d(first.hour_s, then.hour_s, return_indices=True)
    before, after = (np.maximum(some, LEAST_PA) for some in (first.level_pa[mine], then.level_pa[others]))
    return float(np.nanmax(np.abs(np.log(after / before))[hours < last_s], initial=0.0))


def lines(late: Sequence[tuple[Proxy, Late]]) -> list[str]:
    """The table as Markdown."""
    head = [
        "measure of flow; hours",
        "learned again",
        "levels before",
        "lives before",
        "steps before, made again",
    ]
    rows = [head, ["---"] * len(head)]
    for proxy in Proxy:
        some = [one for of, one in late if of is proxy]
        if some:
            shares = [
                np.mean([one.is_learned_again for one in some]),
                np.mean([one.moves_levels for one in some]),
                np.mean([one.moves_lives for one in some]),
                sum(one.again for one in some) / max(1, sum(one.steps for one in some)),
            ]
            rows.append([f"{proxy}; {len(some)}", *(f"{share:.2f}" for share in shares)])
    return [f"| {' | '.join(row)} |" for row in rows]


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="what a late reading makes again")
    parser.add_argument("--machines", type=int, default=14)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--hours", type=int, default=40, help="held back on each machine, one at a time")
    parser.add_argument("--generators", default="plateau,quarry")
    given = parser.parse_args(words)
    late: list[tuple[Proxy, Late]] = []
    for generator in given.generators.split(","):
        fleet = make_fleet(generator, machines=given.machines, days=given.days, seed=given.seed)
        for known in known_machines(fleet):
            facts = known.facts(known.machine.evenings.at_s[-1], FleetKnowledge())
            work = np.flatnonzero(known.table.working)
            first = int(FIRST_SHARE * len(work))
            rows = np.random.default_rng(given.seed).choice(work[first:-1], given.hours, replace=False)
            late += [(known.machine.proxy, one) for one in held_back(known.table, facts, np.sort(rows))]
    print("\n".join(lines(late)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
