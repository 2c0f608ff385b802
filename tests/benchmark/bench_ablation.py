"""
What each hypothesis and each constant of the model of a housing is worth: switched off, or moved.

    cleanside-simulator fleet --seed 3 --machines 40 --days 250 --out FLEET
    python -m tests.benchmark.bench_ablation FLEET [--machines N] [--look-every-days N] [--only NAME ...]
    python -m tests.benchmark.bench_ablation --table

Each line is the fleet judged once: changes found of those made, changes reported that were right, causes
detected, false alarms a machine-year, days until a change was found, questions on falls a machine-year (`ask`
and `ask_low` decide those alone), and at which share of the looks anything else is said than with the present
constants. A hypothesis is switched off by a rate of nothing, a constant by a value with which it does
nothing; a number is moved by a third up and down. The hours are measured once. What moves nothing here nor on
made fleets (`bench_bars --moved`) is a candidate for removal. This fleet has no entries of people.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts
from cleanside.ingest.restriction.elements.lives import tell_lives
from cleanside.ingest.restriction.forecast.duty import Duty, learn_duty
from cleanside.ingest.restriction.measure.summary import HOUR_S
from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET, TUNING, Tuning
from cleanside.ingest.restriction.verdict.element_history import tell_history
from cleanside.ingest.restriction.verdict.evidence import STEPS_SAID
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from cleanside.ingest.restriction.verdict.study import suspicions_of
from cleanside.ingest.restriction.verdict.suspect import AnswerLost, no_answer
from cleanside.simulator.difficulty import read_difficulty
from tests.benchmark.bench_fleet_truth import LOOK_AT_S, Seen, facts_of
from tests.support.fleet_truth import DAY_S, Machine, Said, read_fleet, score

MOVED = 4 / 3  # a third up, and down by as much
NEVER, ANY = 1e-12, 1e9  # a rate of nothing, and a spread by which nothing is odd
#: windows, budgets and a share next to 1, which a third moves too far
NOT_MOVED = ("paths", "worst_path", "windows_h", "tail_h", "whole_hour")
#: what only entries and looks of people ask for
OF_PEOPLE: tuple[str, ...] = (
    *("entered_", "inspected_", "lasting_", "indicator_", "met_", "gauge_", "look_"),
    *("fleet_share", "kind_share"),
)
#: hypothesis -> its rate set to nothing
HYPOTHESES: Mapping[str, Mapping[str, Any]] = {
    "no new element": {"new_per_h": NEVER},
    "no cleaned element": {"cleaned_share": 1e-9},
    "nothing torn or missing": {"low_per_h": NEVER, "low_at_service": 1e-9},
    "no tube off": {"off_per_h": NEVER, "off_at_service": 1e-9},
    "no moisture": {"wet_per_h": NEVER},
    "no swelling unnoticed": {"swell_h": 1e-6},
    "no light work": {"light_per_h": (NEVER, NEVER, NEVER), "light_share": (0.0, 0.0, 0.0)},
    "no other sensor": {"exchanged_per_h": NEVER},
    "stops unknown": {"without_stop": 1.0},
    "paces unknown": {"pace_least": 0.0},
    "flow response unknown": {"answer_step": ANY},
    "loaded or not": {"unloaded_factor": 1.0, "loaded_factor": 1.0, "over_factor": 1.0},
}
#: constant -> a value with which it does nothing
OFF: Mapping[str, Any] = {
    "tail_step": ANY,
    "settle_h": TUNING.level_h,
    "unseen_share": 0.0,
    "gap_h": ANY,
    "loaded_width": 0.01,
    "over_factor": TUNING.loaded_factor,
    "young_h": 1e-9,
    "mended_new": 1.0,
    "mended_off": 1e-9,
    "low_unknown": 1.0,
    "low_at_service": 1e-9,
    "off_at_service": 1e-9,
    "light_share": (0.0, 0.0, 0.0),
    "whole_hour": 0.0,
    "entered_other": 1e-9,
    "inspected_wrong": 1.0,
    "note_right": 1e-9,
    "light_most": (ANY, ANY, ANY),
    "wet_most": (ANY, TUNING.wet_most[1]),
    "odd_per_h": 0.0,
    "spread_lives": ANY,
    "kind_machines": 1e-9,
    "kinds_apart": 1e-9,
    "outlier_share": 0.0,
    "low_spreads": 0.0,
    "dries_at_once": 1.0,
    "passing_rise": ANY,
    "low_rise": ANY,
    "flat_least": 0.0,
    "answer_near": ANY,
    "answer_hidden": 0.0,
    "answer_least": -ANY,
    "unsure_h": 0.0,
    "back_near": -ANY,
    "ask_low": ANY,
    "warn_after_h": (0.0, 0.0, 0.0),
    "warn_near": ANY,
    "warn_held": 0.0,
    "paths": 1,
    "worst_path": ANY,
}


class Worth(NamedTuple):
    """Figures of one run."""

    found: float
    right: float
    causes: float
    alarms: float
    late_days: float
    asked: float

    def __str__(self) -> str:
        shares = f"{self.found:7.3f} {self.right:7.3f} {self.causes:7.3f}"
        return f"{shares} {self.alarms:7.2f} {self.late_days:7.2f} {self.asked:7.2f}"


class Evening(NamedTuple):
    """A machine at one evening, up to where the constants of the model count."""

    at_s: float
    seen_h: float
    measured: MeasuredHours
    facts: HousingFacts
    lost: AnswerLost | None
    duty: Duty


class Look(NamedTuple):
    """What is said on one evening, and the days of the falls that a person is asked about."""

    said: Said
    asked: frozenset[int]

    @property
    def words(self) -> tuple[object, ...]:
        """All that is said."""
        return self.said.causes, self.said.found, self.asked


def runs() -> Iterator[tuple[str, Tuning]]:
    """Name and constants of every run, the present ones first."""
    yield "as it is", TUNING
    for name, changed in HYPOTHESES.items():
        yield name, replace(TUNING, **changed)
    for field in fields(Tuning):
        value = getattr(TUNING, field.name)
        if field.name in OFF:
            yield f"{field.name} off", replace(TUNING, **{field.name: OFF[field.name]})
        if field.name in NOT_MOVED:
            continue
        for factor in (MOVED, 1 / MOVED):
            yield f"{field.name} x {factor:.2f}", replace(TUNING, **{field.name: _times(value, factor)})


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, tuple):
        return tuple(_times(one, factor) for one in value)
    if isinstance(value, int):
        return max(1, round(value * factor))
    moved = value * factor
    return min(moved, 0.99) if 0.5 < value < 1.0 else moved  # a probability, a quantile, a share


def evenings_of(machine: Machine, seen: Seen, every_days: int) -> list[Evening]:
    """Every so many evenings, the last one among them."""
    days, found = int(machine.about["days"]), []
    for day in range((days - 1) % every_days, days, every_days):
        at_s = machine.about["start_s"] + day * DAY_S + LOOK_AT_S
        summaries = seen.by(at_s)
        if not len(summaries):
            continue
        facts = facts_of(machine, at_s, FleetKnowledge())
        measured = measure_hours(summaries, facts)
        table = measured.table
        seen_h = float(machine.hours_at(float(summaries.hours["last_s"][-1])))
        lost = no_answer(table, measured.zeros[0])
        found.append(Evening(at_s, seen_h, measured, facts, lost, learn_duty(table)))
    return found


def looks_of(evenings: Sequence[Evening], tuning: Tuning) -> list[Look]:
    """What is said of a machine with these constants."""
    return [_look(evening, tuning) for evening in evenings]


def worth(machines: Sequence[Machine], looks: Sequence[Sequence[Look]]) -> Worth:
    """Of the looks at each machine."""
    scores = [
        score(machine, [look.said for look in mine], read_difficulty())
        for machine, mine in zip(machines, looks, strict=True)
    ]
    found = [row["found"] for s in scores for row in s.recalled]
    right = [row["right"] for s in scores for row in s.precise]
    causes = [row["caught"] for s in scores for row in s.caught]
    late = [row["late_days"] for s in scores for row in s.recalled]
    years = sum(s.years for s in scores)
    return Worth(
        found=float(np.mean(found)),
        right=float(np.mean(right)),
        causes=float(np.mean(causes)),
        alarms=sum(len(s.alarms) for s in scores) / years,
        late_days=float(np.nanmedian(late)),
        asked=sum(len(set[int]().union(*(look.asked for look in mine))) for mine in looks) / years,
    )


def _look(evening: Evening, tuning: Tuning) -> Look:
    facts, measured = replace(evening.facts, tuning=tuning), evening.measured
    history = tell_history(measured, facts)
    suspicions = suspicions_of(measured, history, facts, evening.lost, evening.duty)
    lives = tell_lives(measured.series, history.cuts)
    from_s = lives[-1].start_s - HOUR_S if lives else -math.inf
    said = Said(
        at_s=evening.at_s,
        seen_h=evening.seen_h,
        state="suspect" if suspicions else "serving",
        causes=frozenset(s.cause for s in suspicions),
        hours_left=None,
        due_s=None,
        found=tuple((life.start_s, life.began) for life in lives[1:]),
    )
    weighed = [step.at_s for step in history.openings.weighed if step.at_s >= from_s]
    return Look(said, frozenset(int(at_s // DAY_S) for at_s in weighed[-STEPS_SAID:]))


def otherwise(looks: Sequence[Sequence[Look]], before: Sequence[Sequence[Look]]) -> float:
    """Share of the looks at which anything else is said than before."""
    pairs = [pair for mine in zip(looks, before, strict=True) for pair in zip(*mine, strict=True)]
    return float(np.mean([now.words != then.words for now, then in pairs]))


def table_lines() -> list[str]:
    """The constants as rows of the tables in CONSTANTS.md: name, value, unit, origin, sensitivity."""
    return [
        f"| `{constant.name}` | {_written(getattr(tuning, constant.name))} | {constant.metadata['unit']} "
        f"| {constant.metadata['origin']} |{_moved(constant.metadata['moved'], tuning)}"
        for tuning in (TUNING, FLOW, MET, HELD)
        for constant in fields(tuning)
    ]


def _moved(shares: Any, tuning: Any) -> str:
    """The last cell of a row: shares of looks, or, of `bench_flow_ablation`, levels and standard errors."""
    if shares is None:
        return "  |"
    if isinstance(tuning, Tuning):
        return f" {shares[0]:g}, {shares[1]:g} % |"
    (more, less), (wider, narrower) = shares
    return f" {more:g}, {less:g} %; {_signed(wider)}, {_signed(narrower)} % |"


def _signed(percent: float) -> str:
    return f"{percent:+g}" if percent else "0"


def _written(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(
            f"{one[0]:g} to {one[1]:g}" if isinstance(one, tuple) else _written(one) for one in value
        )
    return f"{value:.3g}"


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="what each constant of the model is worth")
    parser.add_argument("fleet", type=Path, nargs="?", help="folder of `cleanside-simulator fleet`")
    parser.add_argument("--table", action="store_true", help="print the constants, as CONSTANTS.md has them")
    parser.add_argument("--machines", type=int, metavar="N", help="the first N only")
    parser.add_argument("--look-every-days", type=int, default=5, metavar="N")
    parser.add_argument("--only", nargs="+", metavar="NAME", help="runs whose name begins so")
    given = parser.parse_args(words)
    if given.table or given.fleet is None:
        print("\n".join(table_lines()))
        return 0
    machines = read_fleet(given.fleet)[: given.machines]
    evenings = [
        evenings_of(machine, Seen(given.fleet, machine), given.look_every_days) for machine in machines
    ]
    before = [looks_of(mine, TUNING) for mine in evenings]
    print(f"{len(machines)} machines, {sum(map(len, evenings))} looks")
    print(f"{'':32}  found   right  causes  alarms  late d   asked  otherwise", flush=True)
    for name, tuning in runs():
        if given.only and not any(name.startswith(start) for start in ("as it is", *given.only)):
            continue
        if name.startswith(OF_PEOPLE):
            continue
        looks = [looks_of(mine, tuning) for mine in evenings]
        print(f"{name:32}{worth(machines, looks)}{100 * otherwise(looks, before):9.1f} %", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
