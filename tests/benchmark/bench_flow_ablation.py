"""
What each constant of the flow, of what work meets and of held values is worth: moved, or switched off.

    python -m tests.benchmark.bench_flow_ablation [--machines N] [--days N] [--seeds 3] [--every-days N]
        [--generators A,B] [--only NAME ...]

Each line is the fleets for tuning measured and judged once with another value. Against the truth: by how much
the level at full flow is off, and the level at which the indicator would latch (median of the size of ln,
with its sign in brackets), and how often their 80 % intervals hold; looks are counted while nothing is wrong.
Against the present values: by how much the level, the level of the latch and their standard errors move (mean
over looks), and at which share of the looks another change, cause or question is said. Of held values
last: how many steps of the histories are taken again where looks follow each other by the hour. That is what
they are for. Each evening goes by what the fleet taught the evening before; lives are learned once.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts, Labelled, Summaries, collect_shortfalls
from cleanside.ingest.restriction.elements.followed import Followed, FollowedStep
from cleanside.ingest.restriction.forecast.duty import learn_duty
from cleanside.ingest.restriction.measure.met import Met
from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.measured_hours import measure_hours
from cleanside.ingest.restriction.verdict.met_by_work import met_by_work
from cleanside.ingest.restriction.verdict.suspect import no_answer
from tests.benchmark.bench_bars import learn_from, of_fleet, said_of
from tests.benchmark.bench_share_parts import Z80, Known, known_machines
from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.observing import Observation
from tests.fleets.score import DAY_H
from tests.fleets.truth import HOUR_S, Fleet, Machine

MOVED = 4 / 3  # a third up, and down by as much
NOTHING, ANY = 1e-9, 1e9  # a step that rounds nothing, and a spread by which nothing is odd
AS_IT_IS = "as it is"
FOLLOWED_FROM_DAY, FOLLOWED_LOOKS, FOLLOWED_MACHINES = 60, 24, 4  # of each fleet, by the hour
NEWEST = 2  # steps of a history that a new hour always makes again
NEAR_LIMIT = 0.1  # of the limit; units differ by more
#: two ends, moved apart and together instead of up and down
ENDS = ("bounds", "short_bounds", "between")
#: constant -> a value with which it does nothing
OFF: Mapping[str, Any] = {
    "unloaded": (FLOW.unloaded[0], ANY),
    "with_speed": (FLOW.with_speed[0], ANY),
    "with_load": (FLOW.with_load[0], ANY),
    "exponent": (FLOW.exponent[0], ANY),
    "bounds": ((0.01, 0.99), (-9.0, 9.0), (0.01, 9.0), (0.1, 9.0)),
    "least_noise": NOTHING,
    "law_spread": 0.0,
    "unseen_level": 0.0,
    "fit_hours": int(ANY),
    "top_hours": int(ANY),
    "loaded": 0.0,
    "top_share": 1.0,
    "short_flow": (0.0, 0.0),
    "short_level": (0.0, 0.0),
    "short_kind_machines": ANY,
    "short_hours": 1,
    "short_bounds": (-9.0, 9.0),
    "hours": int(ANY),
    "usual_shifts": 0.0,
    "monitor_spread": 0.0,
    **{field.name: NOTHING for field in fields(HELD)},
}


class Run(NamedTuple):
    """A constant with another value."""

    label: str
    table: Any  # FLOW, MET or HELD
    name: str
    value: Any


@dataclass(frozen=True, kw_only=True)
class Look:
    """What is said of a machine on one evening."""

    level_pa: float  # NaN: none yet
    spread: float
    met: Met
    said: Observation
    off_level: float  # ln of the level found over the true one; NaN: something is wrong, or it is not known
    off_latch: float  # the same of the level at which the indicator latches


class Fleets(NamedTuple):
    """Fleets with their machines, and what they had taught by each evening."""

    each: Sequence[tuple[Fleet, Sequence[Known]]]
    days: Sequence[int]
    taught: Mapping[tuple[int, int], FleetKnowledge]  # by place of the fleet and day


def runs() -> Iterator[Run]:
    """Each constant a third up, a third down, and switched off where that means something."""
    for table in (FLOW, MET, HELD):
        for field in fields(table):
            name, value = field.name, getattr(table, field.name)
            for factor in (MOVED, 1 / MOVED):
                yield Run(f"{name} x {factor:.2f}", table, name, _times(name, value, factor))
            if name in OFF:
                yield Run(f"{name} off", table, name, OFF[name])


def _times(name: str, value: Any, factor: float) -> Any:
    if name in ENDS:
        return _apart(value, factor) if name != "bounds" else tuple(_apart(pair, factor) for pair in value)
    if isinstance(value, tuple):
        return tuple(one * factor for one in value)
    if isinstance(value, int):
        return max(1, round(value * factor))
    moved = value * factor
    return min(moved, 0.99) if 0.5 < value < 1.0 else moved  # a quantile


def _apart(ends: tuple[float, float], factor: float) -> tuple[float, float]:
    low, high = ends
    middle, half = (low + high) / 2, factor * (high - low) / 2
    return middle - half, middle + half


@contextmanager
def moved(run: Run) -> Iterator[None]:
    """The constant with the other value. The rules read these frozen tables as they stand in their module."""
    before = getattr(run.table, run.name)
    object.__setattr__(run.table, run.name, run.value)
    try:
        yield
    finally:
        object.__setattr__(run.table, run.name, before)


def fleets_of(fleets: Iterable[Fleet], every_days: int) -> Fleets:
    """With what the lives of each fleet had taught by each evening, by the present constants."""
    each = [(fleet, known_machines(fleet)) for fleet in fleets]
    days = range(every_days - 1, each[0][0].days, every_days)
    taught = {}
    for place, (_, machines) in enumerate(each):
        knowledge = FleetKnowledge()
        for day in days:
            taught[place, day] = knowledge
            knowledge = learn_from(list(of_fleet(machines, day, knowledge)))
    return Fleets(each, days, taught)


def looks_of(fleets: Fleets, met_runs: Sequence[Run] = ()) -> dict[str, list[Look]]:
    """
    What is said on each evening.

    met_runs : other constants of what work meets. They need no hour measured again.
    """
    found: dict[str, list[Look]] = {name: [] for name in (AS_IT_IS, *(run.label for run in met_runs))}
    for place, (_, machines) in enumerate(fleets.each):
        by_name = {known.machine.name: known for known in machines}
        before: list[Labelled] = []
        for day in fleets.days:
            knowledge = replace(fleets.taught[place, day], shortfalls=collect_shortfalls(before))
            before = []
            for table, facts in of_fleet(machines, day, knowledge):
                before.append(
                    Labelled(facts.machine, facts.kind, table, facts.reference_flow, facts.reference_kind)
                )
                for name, look in _looks(by_name[facts.machine], day, table, facts, met_runs).items():
                    found[name].append(look)
    return found


def _looks(
    known: Known, day: int, table: Summaries, facts: HousingFacts, met_runs: Sequence[Run]
) -> dict[str, Look]:
    measured = measure_hours(table, facts)
    history = tell_history(measured, facts)
    lost, duty = no_answer(measured.table, measured.zeros[0]), learn_duty(measured.table)
    at_s = float(known.machine.evenings.at_s[day])
    level_pa = float(history.level_pa[-1]) if len(history.level_pa) else np.nan
    mets = {AS_IT_IS: met_by_work(measured, history)}
    for run in met_runs:
        with moved(run):
            mets[run.label] = met_by_work(measured, history)
    said = said_of(measured, facts, at_s, history, lost, duty)
    is_plain = _is_plain(known.machine, facts, day)
    off = float(np.log(level_pa / known.machine.evenings.full_flow_pa[day])) if is_plain else np.nan
    return {
        name: Look(
            level_pa=level_pa,
            spread=measured.reference.level_spread,
            met=met,
            said=said,
            off_level=off,
            off_latch=off + met.middle - _latch_beyond(known.machine, day),
        )
        for name, met in mets.items()
    }


def _is_plain(machine: Machine, facts: HousingFacts, day: int) -> bool:
    """Nothing is wrong or was lately, the limit is right, and nearly all has arrived."""
    evenings = machine.evenings
    at_s, unseen_h = evenings.at_s[day], evenings.worked_h[day] - evenings.seen_h[day]
    lately = any(f.begin_s <= at_s < f.repaired_s + 2 * DAY_H * HOUR_S for f in machine.faults)
    is_right = facts.terminal_pa is not None and abs(facts.terminal_pa / machine.limit_pa - 1.0) < NEAR_LIMIT
    return bool(unseen_h <= DAY_H and not lately and is_right)


def _latch_beyond(machine: Machine, day: int) -> float:
    """ln of the limit over the true level at full flow as the indicator latched; NaN: not in this life."""
    evenings = machine.evenings
    life = next((one for one in machine.lives if one.start_s <= evenings.at_s[day] < one.end_s), None)
    if life is None or not evenings.at_s[day] < life.latch_s < min(life.end_s, evenings.at_s[-1]):
        return float("nan")
    inside = (evenings.at_s >= life.start_s) & (evenings.at_s < life.end_s)
    level_pa = np.interp(life.latch_s, evenings.at_s[inside], evenings.full_flow_pa[inside])
    return float(np.log(machine.limit_pa / level_pa))


class Counting(Followed[Any]):
    """Counts the steps of a run that could be taken as they were, and those that were made again."""

    def __init__(self) -> None:
        super().__init__()
        self.steps = self.made = 0

    def along(self, steps: Iterable[FollowedStep[Any]]) -> list[Any]:
        each, calls = list(steps), 0

        def counted(step: FollowedStep[Any]) -> FollowedStep[Any]:
            def follows(before: Any) -> Any:
                nonlocal calls
                calls += 1
                return step.follows(before)

            return FollowedStep(step.rests_on, follows)

        found = super().along([counted(step) for step in each])
        self.steps += max(len(each) - NEWEST, 0)
        self.made += max(calls - NEWEST, 0)
        return found


def taken_again(fleets: Fleets) -> float:
    """Share of the steps of histories that are taken as they were, where looks follow by the hour."""
    steps = made = 0
    for place, (_, machines) in enumerate(fleets.each):
        knowledge = fleets.taught[place, max(day for day in fleets.days if day <= FOLLOWED_FROM_DAY)]
        for known in machines[:FOLLOWED_MACHINES]:
            from_s = float(known.machine.evenings.at_s[FOLLOWED_FROM_DAY])
            facts, earlier = known.facts(from_s, knowledge), known.arrived(from_s)
            history = earlier.handed_on("histories", Counting)
            for look in range(FOLLOWED_LOOKS):
                table = known.arrived(from_s + look * HOUR_S).taking_over(earlier)
                if look == 0 or len(table) > len(earlier):
                    tell_history(measure_hours(table, facts), facts)
                    if look == 0:
                        history.steps = history.made = 0
                earlier = table
            steps, made = steps + history.steps, made + history.made
    return 1.0 - made / max(steps, 1)


def line(name: str, looks: Sequence[Look], before: Sequence[Look], again: float | None) -> str:
    """A row of the table as Markdown."""
    pairs = [
        pair for pair in zip(looks, before, strict=True) if pair[0].level_pa > 0 and pair[1].level_pa > 0
    ]
    moved_by = [abs(np.log(now.level_pa / then.level_pa)) for now, then in pairs]
    latch = [abs(_ln_latch(now) - _ln_latch(then)) for now, then in pairs]
    spread = [now.spread / then.spread - 1.0 for now, then in pairs]
    latch_spread = [now.met.spread / then.met.spread - 1.0 for now, then in pairs]
    otherwise = [now.said != then.said for now, then in pairs]
    cells = [
        name,
        _off([look.off_level for look in looks], [look.spread for look in looks]),
        _off([look.off_latch for look in looks], [look.met.spread for look in looks]),
        f"{_percent(moved_by)}, {_percent(spread, sign=True)}",
        f"{_percent(latch)}, {_percent(latch_spread, sign=True)}",
        _percent(otherwise),
        "" if again is None else f"{again:.2f}",
    ]
    return f"| {' | '.join(cells)} |"


def _ln_latch(look: Look) -> float:
    """Of the highest that is met now."""
    return float(np.log(look.level_pa) + look.met.middle)


def _percent(shares: Sequence[float], *, sign: bool = False) -> str:
    value = 100 * float(np.mean(shares))
    return f"{value:+.1f} %" if sign else f"{value:.2f} %"


def _off(offs: Sequence[float], spreads: Sequence[float]) -> str:
    known = [(off, spread) for off, spread in zip(offs, spreads, strict=True) if np.isfinite(off)]
    if not known:
        return ""
    off, spread = np.transpose(known)
    holds = np.mean(np.abs(off) <= Z80 * spread)
    return f"{np.median(np.abs(off)):.3f} ({np.median(off):+.3f}), {holds:.2f} of {len(off)}"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="what each constant of the flow is worth")
    parser.add_argument("--machines", type=int, default=14)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="3")
    parser.add_argument("--every-days", type=int, default=12)
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    parser.add_argument("--only", nargs="+", metavar="NAME", help="runs whose name begins so")
    given = parser.parse_args(words)
    chosen = [run for run in runs() if not given.only or run.label.startswith(tuple(given.only))]
    fleets = fleets_of(
        (
            make_fleet(generator, machines=given.machines, days=given.days, seed=int(seed))
            for generator in given.generators.split(",")
            for seed in given.seeds.split(",")
        ),
        given.every_days,
    )
    found = looks_of(fleets, [run for run in chosen if run.table is MET])
    before = found[AS_IT_IS]
    print(f"{len(before)} looks at {sum(len(machines) for _, machines in fleets.each)} machines\n")
    print(
        "| | level off, 80 % holds | latch off, 80 % holds | level moves | latch moves | otherwise | again |"
    )
    print("|" + " --- |" * 7)
    for name, looks in found.items():
        print(line(name, looks, before, taken_again(fleets) if name == AS_IT_IS else None), flush=True)
    for run in chosen:
        if run.table is not MET:
            with moved(run):
                looks = looks_of(fleets)[AS_IT_IS]
                again = taken_again(fleets) if run.table is HELD and run.label.endswith("off") else None
            print(line(run.label, looks, before, again), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
