"""
What each hypothesis and each constant of the model of a housing is worth: switched off, or moved.

    cleanside-simulator fleet --seed 3 --machines 40 --days 250 --out FLEET
    python -m tests.benchmark.bench_ablation FLEET [--machines N] [--look-every-days N] [--only NAME ...]
    python -m tests.benchmark.bench_ablation --table

Each line is the fleet judged once: changes found of those made, changes reported that were right, causes
detected, false alarms a machine-year, days until a change was found, and questions on falls a machine-year
(`ask` and `ask_low` decide those alone). A hypothesis is switched off by a rate of nothing; a number is moved
by a third up and down. Summaries are made once. What moves nothing is a candidate for removal.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction import FleetKnowledge, HousingFacts, Summaries, study_housing
from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET, TUNING, Tuning
from cleanside.simulator.difficulty import read_difficulty
from tests.benchmark.bench_fleet_truth import LOOK_AT_S, Seen, facts_of
from tests.support.fleet_truth import DAY_S, Machine, Said, read_fleet, score

MOVED = 4 / 3  # a third up, and down by as much
#: windows and budgets: whole numbers that a third moves too far
NOT_MOVED = ("paths", "worst_path", "windows_h", "tail_h")
#: hypothesis -> its rate set to nothing
HYPOTHESES: dict[str, dict[str, Any]] = {
    "no new element": {"new_per_h": 1e-12},
    "no cleaned element": {"cleaned_share": 1e-9},
    "nothing torn or missing": {"low_per_h": 1e-12, "low_at_service": 1e-9, "low_at_first": 1e-9},
    "no tube off": {"off_per_h": 1e-12},
    "no moisture": {"wet_per_h": 1e-12},
    "no light work": {"light_per_h": (1e-12, 1e-12, 1e-12)},
    "no other sensor": {"exchanged_per_h": 1e-12},
    "stops unknown": {"without_stop": 1.0},
    "paces unknown": {"pace_least": 0.0},
    "flow response unknown": {"answer_step": 1e9},
    "loaded or not": {"unloaded_factor": 1.0, "loaded_factor": 1.0},
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


class Look(NamedTuple):
    """What is said on one evening, and the days of the falls that a person is asked about."""

    said: Said
    asked: frozenset[int]


def runs() -> Iterator[tuple[str, Tuning]]:
    """Name and constants of every run, the present ones first."""
    yield "as it is", TUNING
    for name, changed in HYPOTHESES.items():
        yield name, replace(TUNING, **changed)
    for field in fields(Tuning):
        value = getattr(TUNING, field.name)
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


def worth(machines: Sequence[Machine], seen: Sequence[Seen], tuning: Tuning, every_days: int) -> Worth:
    """The fleet judged with these constants."""
    scores, asked = [], 0
    for machine, summaries in zip(machines, seen, strict=True):
        looks = [_look(machine, *at, tuning) for at in _looks(machine, summaries, every_days)]
        asked += len(set[int]().union(*(look.asked for look in looks)))
        scores.append(score(machine, [look.said for look in looks], read_difficulty()))
    found = [row["found"] for s in scores for row in s.recalled]
    right = [row["right"] for s in scores for row in s.precise]
    causes = [row["caught"] for s in scores for row in s.caught]
    late = [row["late_days"] for s in scores for row in s.recalled]
    years = sum(s.years for s in scores)
    alarms = sum(len(s.alarms) for s in scores) / years
    return Worth(
        found=float(np.mean(found)),
        right=float(np.mean(right)),
        causes=float(np.mean(causes)),
        alarms=alarms,
        late_days=float(np.nanmedian(late)),
        asked=asked / years,
    )


def _looks(machine: Machine, seen: Seen, every_days: int) -> Iterator[tuple[float, Summaries]]:
    """Evenings, the last one among them."""
    days = int(machine.about["days"])
    for day in range((days - 1) % every_days, days, every_days):
        at_s = machine.about["start_s"] + day * DAY_S + LOOK_AT_S
        summaries = seen.by(at_s)
        if len(summaries):
            yield at_s, summaries


def _look(machine: Machine, at_s: float, summaries: Summaries, tuning: Tuning) -> Look:
    facts: HousingFacts = replace(facts_of(machine, at_s, FleetKnowledge()), tuning=tuning)
    study = study_housing(summaries, facts).study
    weighed = (one.values["at_s"] for one in study.evidence if one.code == "step_weighed")
    said = Said(
        at_s=at_s,
        seen_h=float(machine.hours_at(float(summaries.hours["last_s"][-1]))),
        state="suspect" if study.suspicions else study.level_state,
        causes=frozenset(s.cause for s in study.suspicions),
        hours_left=None,
        due_s=None,
        found=tuple((life.start_s, life.began) for life in study.lives[1:]),
    )
    return Look(said, frozenset(int(float(at) // DAY_S) for at in weighed))


def table_lines() -> list[str]:
    """The constants as rows of the table in CONSTANTS.md: name, value, unit, origin."""
    return [
        f"| `{constant.name}` | {_written(getattr(tuning, constant.name))} | {constant.metadata['unit']} "
        f"| {constant.metadata['origin']} |"
        for tuning in (TUNING, FLOW, MET, HELD)
        for constant in fields(tuning)
    ]


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
    seen = [Seen(given.fleet, machine) for machine in machines]
    print(f"{'':32}  found   right  causes  alarms  late d   asked")
    for name, tuning in runs():
        if not given.only or any(name.startswith(start) for start in ("as it is", *given.only)):
            print(f"{name:32}{worth(machines, seen, tuning, given.look_every_days)}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
