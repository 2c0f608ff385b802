"""
The trade between findings and false alarms: the bars of the model moved, on the fleets for tuning.

    python -m tests.benchmark.bench_bars [--machines N] [--seeds 3,4,5] [--every-days N] [--generators A,B]
                                           [--rich] [--noted SHARE]
                                           [--alarms | --moved [NAME ...]]

Each line has other bars, scored as `bench_other_fleets` scores a server: false alarms and questions a
machine-year, and what was found of each kind. No server: the analysis alone looks at what has arrived, and
learns its fleet once a week. With `--rich` four of ten faults are torn elements and two missing ones. With
`--alarms` only the bars of today are looked at, and after the table comes each false alarm with what truly
went on around it. With `--moved` not the bars are moved, but the constants whose runs in `bench_ablation`
begin with a name, or all. The last column says at which share of the looks anything else is said than
today.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from unittest.mock import patch

import numpy as np

from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Labelled,
    Summaries,
    collect_nearby,
    collect_sent,
    collect_shortfalls,
    housing_teaches,
    learn_fleet,
)
from cleanside.ingest.restriction.forecast.duty import Duty, learn_duty
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning
from cleanside.ingest.restriction.verdict.element_history import ElementHistory, tell_history
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from cleanside.ingest.restriction.verdict.study import suspicions_of
from cleanside.ingest.restriction.verdict.suspect import AnswerLost, no_answer
from tests.benchmark.bench_ablation import runs
from tests.benchmark.bench_share_parts import Known, known_machines
from tests.fleets import incidents
from tests.fleets.alarms import alarm_lines
from tests.fleets.making import FOR_TUNING, NOTED, make_fleet
from tests.fleets.observing import FoundChange, Observation
from tests.fleets.score import CHECK_FIRST, IN_SERVICE, MachineScore, score_fleet
from tests.fleets.truth import HOUR_S, Fleet

LEARNS_EVERY = 7  # evenings
STEPS_SAID = 2  # the newest, as the evidence has them
CHANGES = ("new", "cleaned")
#: bars of the model, those of today first
TODAY = "as it is"
BARS: Mapping[str, Tuning] = {
    TODAY: TUNING,
    "begins 0.5": replace(TUNING, begins=(0.5, 0.5, 0.5)),
    "begins 0.9": replace(TUNING, begins=(0.9, 0.9, 0.9)),
    "warn_near: none": replace(TUNING, warn_near=np.inf),
    "back_near: none": replace(TUNING, back_near=-np.inf),
    "warn 0.35, 0.4, 0.5": replace(TUNING, warn=(0.35, 0.4, 0.5)),
    "ask 0.3": replace(TUNING, ask=(0.3, 0.3, 0.3)),
    "ask_low: none": replace(TUNING, ask_low=np.inf),
    "unsure_h 20": replace(TUNING, unsure_h=20.0),
}
#: a column of the table -> the labels of `MachineScore.causes` in it
CAUSES: Mapping[str, tuple[str, ...]] = {
    "missing": ("missing after service",),
    "torn": ("torn",),
    "tube off": ("tube off, flow measure", "tube off, no flow measure"),
    "tap": ("plugged tap",),
    "ports": ("ports swapped",),
    "zero": ("zero moved, large", "zero moved, small"),
    "unit": ("unit of the limit",),
}


def moved(starts: Sequence[str]) -> dict[str, Tuning]:
    """The runs of `bench_ablation` whose names begin so, or all; those of today first."""
    return {
        name: tuning
        for name, tuning in runs()
        if name == TODAY or not starts or any(name.startswith(start) for start in starts)
    }


def look(fleet: Fleet, every_days: int, bars: Mapping[str, Tuning] = BARS) -> dict[str, list[Observation]]:
    """What is said of each machine every few evenings, by the name of the bars."""
    said: dict[str, list[Observation]] = {name: [] for name in bars}
    knowledge, machines = FleetKnowledge(), known_machines(fleet)
    for day in range(0, fleet.days, every_days):
        seen = list(of_fleet(machines, day, knowledge))
        sent = collect_sent((facts.machine, table) for table, facts in seen)
        for table, facts in seen:
            measured = measure_hours(table, replace(facts, fleet=replace(knowledge, sent=sent)))
            at_s = float(fleet.machines[0].evenings.at_s[day])
            lost, duty = no_answer(measured.table, measured.zeros[0]), learn_duty(measured.table)
            for name, tuning in bars.items():
                tuned = replace(facts, tuning=tuning)
                history = tell_history(measured, tuned)
                said[name].append(said_of(measured, tuned, at_s, history, lost, duty))
        if day // LEARNS_EVERY != (day + every_days) // LEARNS_EVERY:
            knowledge = learn_from(seen)
    return said


def of_fleet(
    machines: Sequence[Known], day: int, knowledge: FleetKnowledge
) -> Iterator[tuple[Summaries, HousingFacts]]:
    """Hours and facts of the machines that have sent a whole hour."""
    for known in machines:
        evenings = known.machine.evenings
        if not np.isnan(evenings.seen_s[day]):
            table = known.arrived(evenings.seen_s[day])
            if len(table):
                yield table, known.facts(evenings.at_s[day], knowledge)


def learn_from(seen: Sequence[tuple[Summaries, HousingFacts]]) -> FleetKnowledge:
    """What the machines of a fleet teach each other by an evening."""
    lives = [life for table, facts in seen for life in housing_teaches(table, facts).lives]
    named = [(facts.machine, table) for table, facts in seen]
    labelled = [Labelled(f.machine, f.kind, table, f.reference_flow, f.reference_kind) for table, f in seen]
    return learn_fleet(
        lives, collect_nearby(named), collect_sent(named), shortfalls=collect_shortfalls(labelled)
    )


def said_of(
    measured: MeasuredHours,
    facts: HousingFacts,
    at_s: float,
    history: ElementHistory,
    lost: AnswerLost | None,
    duty: Duty,
) -> Observation:
    """As the API would have it; a machine is in service unless something is suspected."""
    suspicions = suspicions_of(measured, history, facts, lost, duty)
    return Observation(
        machine=facts.machine,
        at_s=at_s,
        state=CHECK_FIRST if suspicions else IN_SERVICE,
        causes=frozenset(suspicion.cause for suspicion in suspicions),
        found=tuple(_found(history)),
    )


def _found(history: ElementHistory) -> Iterator[FoundChange]:
    edges = [edge for edge, _ in history.cuts if edge is not None]
    for edge in edges:
        if not edge.entered:
            kind = "cleaned" if edge.likely == "cleaned" else "new"
            yield FoundChange(at_s=edge.at_s, kind=kind, by_s=edge.by_s)
    from_s = edges[-1].at_s - HOUR_S if edges else -np.inf
    weighed = [step for step in history.openings.weighed if step.at_s >= from_s]
    for step in weighed[-STEPS_SAID:]:
        if step.likely in CHANGES or step.runner in CHANGES:
            yield FoundChange(at_s=step.at_s, kind="asked")


def otherwise(said: Sequence[Observation], before: Sequence[Observation]) -> float:
    """Share of the looks at which anything else is said than before."""
    return float(np.mean([now != then for now, then in zip(said, before, strict=True)]))


def lines(
    scores: Mapping[str, Sequence[MachineScore]], said: Mapping[str, Sequence[Observation]]
) -> list[str]:
    """The table as Markdown."""
    head = [
        "bars",
        "false alarms",
        "changes",
        "suspicions",
        "questions",
        "new",
        "cleaned",
        *CAUSES,
        "otherwise",
    ]
    rows = [
        [*_row(name, some), f"{100 * otherwise(said[name], said[TODAY]):.1f} %"]
        for name, some in scores.items()
    ]
    return [_cells(head), _cells(["---"] * len(head)), *(_cells(row) for row in rows)]


def _row(name: str, scores: Sequence[MachineScore]) -> list[str]:
    years = sum(score.years for score in scores)
    changes = sum(score.false_changes for score in scores) / years
    suspicions = sum(score.false_suspicions for score in scores) / years
    questions = sum(score.false_questions for score in scores) / years
    new = [new.is_found for score in scores for new in score.new]
    cleaned = [is_asked for score in scores for _, is_asked, _ in score.cleaned]
    causes = [
        _share([c.in_time and c.is_kept for score in scores for c in score.causes if c.label in labels])
        for labels in CAUSES.values()
    ]
    rates = [f"{rate:.2f}" for rate in (changes + suspicions, changes, suspicions, questions)]
    return [name, *rates, _share(new), _share(cleaned), *causes]


def _share(counted: Sequence[bool]) -> str:
    return f"{sum(counted)} of {len(counted)}"


def _cells(words: Sequence[str]) -> str:
    return f"| {' | '.join(words)} |"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="the trade between telling and false alarms")
    parser.add_argument("--machines", type=int, default=14)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="3,4,5")
    parser.add_argument("--every-days", type=int, default=1)
    parser.add_argument("--rich", action="store_true", help="more of the faults are torn elements")
    parser.add_argument("--noted", type=float, default=0.0, help=NOTED)
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--alarms", action="store_true", help="list the false alarms of the bars of today")
    which.add_argument("--moved", nargs="*", metavar="NAME", help="constants to move or switch off instead")
    given = parser.parse_args(words)
    size = {"machines": given.machines, "days": given.days}
    bars = {TODAY: TUNING} if given.alarms else BARS if given.moved is None else moved(given.moved)
    cards = incidents.RICH if given.rich else incidents.CARDS
    for generator in given.generators.split(","):
        alarms: list[str] = []
        scores: dict[str, list[MachineScore]] = {name: [] for name in bars}
        every: dict[str, list[Observation]] = {name: [] for name in bars}
        for seed in given.seeds.split(","):
            with patch.object(incidents, "CARDS", cards):
                fleet = make_fleet(generator, **size, noted=given.noted, seed=int(seed))
            for name, said in look(fleet, given.every_days, bars).items():
                scores[name] += score_fleet(fleet, said)
                every[name] += said
                alarms += alarm_lines(fleet, said) if given.alarms else []
        print("\n".join([generator, "", *lines(scores, every), "", *alarms]), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
