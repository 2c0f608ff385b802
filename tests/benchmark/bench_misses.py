"""
Why faults are missed and sound machines suspected, on the fleets for tuning: a reason for each, and counts.

    python -m tests.benchmark.bench_misses [--machines N] [--seeds 101,102] [--generators A,B] [--lines]

Every evening the analysis alone looks at what has arrived, and learns its fleet once a week, as `bench_bars`
does. First come false suspicions by cause and by what truly went on, and how many stood for one evening
alone; then what it would cost to tell a suspicion of the level only once it stood on two evenings; then
missed faults by what the judge took for likely at the first look that counts. With `--lines` each of them.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from unittest.mock import patch

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts, Summaries, collect_sent
from cleanside.ingest.restriction.elements import openings
from cleanside.ingest.restriction.elements.explain import Explained, explain
from cleanside.ingest.restriction.forecast.duty import learn_duty
from cleanside.ingest.restriction.verdict.element_history import ElementHistory, tell_history
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from cleanside.ingest.restriction.verdict.suspect import no_answer
from tests.benchmark.bench_bars import LEARNS_EVERY, learn_from, of_fleet, said_of
from tests.benchmark.bench_share_parts import known_machines
from tests.fleets.alarms import alarm_lines, what_went_on
from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.misses import OF_LEVEL, OF_ZERO, Held, Missed, missed_lines, missed_of, reason_lines
from tests.fleets.observing import Observation
from tests.fleets.score import FalseAlarm, false_alarms, score_fleet
from tests.fleets.truth import HOUR_S, Fault, Fleet

BELOW = "below_clean"
EXPLAINED = (*OF_LEVEL, *OF_ZERO)
NEAR_S = 12 * HOUR_S  # before a fault began: the analysis may date a step of it so much earlier


@dataclass(kw_only=True)
class Told:
    """What was said and missed on the fleets of one generator."""

    years: float = 0.0
    alarms: list[FalseAlarm] = field(default_factory=list)
    missed: list[Missed] = field(default_factory=list)
    counted: Counter[str] = field(default_factory=Counter)
    in_time: Counter[str] = field(default_factory=Counter)
    #: the same where a suspicion of the level counts from the second evening on
    alarms_later: list[FalseAlarm] = field(default_factory=list)
    in_time_later: Counter[str] = field(default_factory=Counter)
    lines: list[str] = field(default_factory=list)

    def add(self, fleet: Fleet, said: Sequence[Observation], held: Mapping[tuple[str, float], Held]) -> None:
        """What was said of one more fleet."""
        self.years += fleet.machine_years
        self.alarms += _suspicions(fleet, said)
        missed = missed_of(fleet, said, held, EXPLAINED)
        self.missed += missed
        self.lines += [*alarm_lines(fleet, said), *missed_lines(missed, fleet)]
        later = told_twice(said)
        self.alarms_later += _suspicions(fleet, later)
        for some, counter in ((said, self.in_time), (later, self.in_time_later)):
            causes = [cause for score in score_fleet(fleet, some) for cause in score.causes]
            counter.update(cause.label for cause in causes if cause.in_time and cause.is_kept)
            if some is said:
                self.counted.update(cause.label for cause in causes)


def _suspicions(fleet: Fleet, said: Iterable[Observation]) -> list[FalseAlarm]:
    return [alarm for alarm in false_alarms(fleet, said) if alarm.what == "suspicion"]


def told_twice(said: Sequence[Observation]) -> list[Observation]:
    """The same with a suspicion of the level told only where it stood at the look before too."""
    before: dict[str, bool] = {}
    made = []
    for one in said:
        stood = before.get(one.machine, False)
        before[one.machine] = BELOW in one.causes
        causes = one.causes if stood else one.causes - {BELOW}
        state = one.state if causes or not one.causes else "serving"
        made.append(replace(one, causes=causes, state=state))
    return made


@dataclass(frozen=True, kw_only=True)
class Look:
    """One look at one machine, with what the judge weighed."""

    facts: HousingFacts
    measured: MeasuredHours
    history: ElementHistory
    explained: Explained | None  # None: no level was there to explain
    said: Observation


def looks(fleet: Fleet, every_days: int = 1) -> Iterator[Look]:
    """Every look at a fleet, in order of time; it learns once a week."""
    knowledge, machines = FleetKnowledge(), known_machines(fleet)
    before: dict[str, Summaries] = {}
    kept: list[Explained] = []

    def keeping(*given: object, **named: object) -> Explained:
        kept.append(explain(*given, **named))  # type: ignore[arg-type]
        return kept[-1]

    with patch.object(openings, "explain", keeping):
        for day in range(0, fleet.days, every_days):
            seen = list(of_fleet(machines, day, knowledge))
            sent = collect_sent((facts.machine, table) for table, facts in seen)
            at_s = float(fleet.machines[0].evenings.at_s[day])
            for table, facts in seen:
                if facts.machine in before:
                    table.taking_over(before[facts.machine])
                before[facts.machine] = table
                measured = measure_hours(table, replace(facts, fleet=replace(knowledge, sent=sent)))
                kept.clear()
                history = tell_history(measured, facts)
                explained = kept[0] if kept else None
                lost, duty = no_answer(measured.table, measured.zeros[0]), learn_duty(measured.table)
                said = said_of(measured, facts, at_s, history, lost, duty)
                yield Look(facts=facts, measured=measured, history=history, explained=explained, said=said)
            if day // LEARNS_EVERY != (day + every_days) // LEARNS_EVERY:
                knowledge = learn_from(seen)


def look(fleet: Fleet) -> tuple[list[Observation], dict[tuple[str, float], Held]]:
    """What is said of each machine every evening, and what the judge takes for likely of faulty ones."""
    said: list[Observation] = []
    held: dict[tuple[str, float], Held] = {}
    faults = {machine.name: machine.faults for machine in fleet.machines}
    for one in looks(fleet):
        said.append(one.said)
        machine, at_s = one.said.machine, one.said.at_s
        wrong = [f for f in faults[machine] if f.begin_s <= at_s < f.repaired_s]
        for fault in (f for f in wrong if f.cause in EXPLAINED):
            held[machine, at_s] = _held(fault, one)
    return said, held


def _held(fault: Fault, one: Look) -> Held:
    measured, history, explained = one.measured, one.history, one.explained
    hour_s, zero = measured.series.hour_s, measured.zeros[0]
    believed = hour_s[measured.believed()]
    steps = [] if explained is None else explained.steps
    near = [step for step in steps if believed[step.row] >= fault.begin_s - NEAR_S]
    deepest = max(near, key=lambda step: step.before - step.after, default=None)
    step = None if deepest is None else (*deepest.ranked[0], deepest.before - deepest.after)
    found = history.openings
    is_known = found.now_pa is not None and found.clean_pa is not None and found.now_pa > 0
    since = measured.table.column("hour_s")[zero.level_hour] >= fault.begin_s - HOUR_S
    return Held(
        hours=int(np.sum(believed >= fault.begin_s)),
        low=0.0 if explained is None else explained.low[-1],
        is_asked=history.is_in_question and not measured.reference.of_idle_only,
        step=step,
        above_clean=float(np.log(found.now_pa / found.clean_pa)) if is_known else np.nan,  # type: ignore[operator]
        rests=int(np.sum(since)),
        moved_pa=float(zero.levels_pa[-1] - zero.usual_pa[-1]) if zero.known else 0.0,
    )


def alarm_table(told: Mapping[str, Told]) -> list[str]:
    """As Markdown: false suspicions by cause and by what truly went on; those of one evening in brackets."""
    pens = list(told)
    of = {pen: Counter((_codes(a), what_went_on(a)) for a in told[pen].alarms) for pen in pens}
    brief = {
        pen: Counter((_codes(a), what_went_on(a)) for a in told[pen].alarms if len(a.said) == 1)
        for pen in pens
    }
    rows = sorted({key for counter in of.values() for key in counter})
    heads = [f"{pen}, {told[pen].years:.1f} machine-years" for pen in pens]
    lines = [f"| said | what truly went on | {' | '.join(heads)} |", f"| --- | --- |{' --- |' * len(pens)}"]
    for row in rows:
        cells = [f"{of[pen][row]} ({brief[pen][row]})" if of[pen][row] else "" for pen in pens]
        lines.append(f"| {row[0]} | {row[1]} | {' | '.join(cells)} |")
    sums = [f"{len(told[pen].alarms)} ({brief[pen].total()})" for pen in pens]
    rates = [f"{len(told[pen].alarms) / told[pen].years:.2f}" for pen in pens]
    machines = [str(len({id(alarm.machine) for alarm in told[pen].alarms})) for pen in pens]
    return [
        *lines,
        f"| all | | {' | '.join(sums)} |",
        f"| a machine-year | | {' | '.join(rates)} |",
        f"| machines suspected | | {' | '.join(machines)} |",
    ]


def _codes(alarm: FalseAlarm) -> str:
    return ", ".join(sorted({code for one in alarm.said for code in one.causes}))


def later_table(told: Mapping[str, Told]) -> list[str]:
    """As Markdown: false suspicions and causes told in a day's work and kept, at once and at two looks."""
    pens = list(told)
    rows = [["false suspicions", *(f"{len(told[p].alarms)}, {len(told[p].alarms_later)}" for p in pens)]]
    for label in sorted({label for some in told.values() for label in some.counted}):
        cells = (
            f"{some.in_time[label]}, {some.in_time_later[label]} of {some.counted[label]}"
            for some in told.values()
        )
        rows.append([label, *cells])
    head = [
        f"| at once, and where it stood at two looks | {' | '.join(pens)} |",
        f"| --- |{' --- |' * len(pens)}",
    ]
    return [*head, *(f"| {' | '.join(row)} |" for row in rows)]


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="why faults are missed and sound machines suspected")
    parser.add_argument("--machines", type=int, default=28)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="101,102,103,104")
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    parser.add_argument("--lines", action="store_true", help="each false suspicion and each missed fault too")
    given = parser.parse_args(words)
    told: dict[str, Told] = {}
    for generator in given.generators.split(","):
        told[generator] = Told()
        for seed in given.seeds.split(","):
            fleet = make_fleet(generator, machines=given.machines, days=given.days, seed=int(seed))
            told[generator].add(fleet, *look(fleet))
    missed = {pen: some.missed for pen, some in told.items()}
    counted = {
        pen: Counter({label: n for label, n in some.counted.items() if _is_explained(label)})
        for pen, some in told.items()
    }
    print("\n".join([*alarm_table(told), "", *later_table(told), "", *reason_lines(missed, counted)]))
    if given.lines:
        print("\n".join(["", *_each(told)]))
    return 0


def _is_explained(label: str) -> bool:
    return any(label.startswith(str(cause)) for cause in EXPLAINED)


def _each(told: Mapping[str, Told]) -> Iterator[str]:
    for some in told.values():
        yield from some.lines


if __name__ == "__main__":
    sys.exit(main())
