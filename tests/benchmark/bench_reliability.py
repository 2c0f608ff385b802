"""
How often what is said at a probability is right, on the fleets for tuning.

    python -m tests.benchmark.bench_reliability [--machines N] [--seeds 111,112] [--generators A,B]
                                                [--every-days N] [--lines]

Every change and every suspicion of the level that was said counts once, in the bin of the probability at
which it first was, and of the highest that it reached: right of all. By kind, and by kind and flow measure.
With `--lines` each wrong one and its probabilities, beside what truly went on.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

import numpy as np

from cleanside.ingest.restriction.elements.explain import CLEANED, NEW
from tests.benchmark.bench_misses import Look, looks
from tests.fleets.alarms import around
from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.observing import Observation
from tests.fleets.reliability import Chances, ToldOnce, reliability_table, told_of
from tests.fleets.truth import DAY_S, Fleet, Proxy


def chances_of(look: Look) -> Chances:
    """What the judge took for likely at a look."""
    explained = look.explained
    if explained is None:
        return Chances(opened=(), low=0.0)
    hour_s = look.measured.series.hour_s[look.measured.believed()]
    falls = tuple((float(hour_s[step.row]), step.chance(NEW, CLEANED)) for step in explained.steps)
    return Chances(opened=falls, low=explained.low_then[-1])


def watched(fleet: Fleet, every_days: int) -> list[ToldOnce]:
    """All that was said of a fleet."""
    said: list[Observation] = []
    chances: dict[tuple[str, float], Chances] = {}
    for look in looks(fleet, every_days):
        said.append(look.said)
        chances[look.said.machine, look.said.at_s] = chances_of(look)
    return told_of(fleet, said, chances)


def flow_of(one: ToldOnce) -> str:
    """How the machine of it measures flow, as the constants of the model go."""
    proxy = one.machine.proxy
    return "speed alone" if proxy is Proxy.SPEED else "nothing" if proxy is Proxy.NOTHING else "flow"


def wrong_lines(fleet: Fleet, told: Sequence[ToldOnce]) -> list[str]:
    """A line for each that was wrong."""
    return [
        f"- {one.what}: {fleet.generator} {fleet.seed} {one.machine.name}, {one.machine.proxy}, "
        f"day {(one.at_s - fleet.start_s) / DAY_S:.1f}, first {one.first:.2f}, highest {one.highest:.2f}, "
        f"{one.looks} looks. " + "; ".join(around(one.machine, one.at_s))
        for one in sorted(told, key=lambda one: (one.what, -np.nan_to_num(one.first)))
        if not one.is_right
    ]


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="how often what is said at a probability is right")
    parser.add_argument("--machines", type=int, default=28)
    parser.add_argument("--days", type=int, default=110)
    parser.add_argument("--seeds", default="111,112")
    parser.add_argument("--every-days", type=int, default=1)
    parser.add_argument("--generators", default=",".join(FOR_TUNING))
    parser.add_argument("--lines", action="store_true", help="each wrong one too")
    given = parser.parse_args(words)
    told: list[ToldOnce] = []
    lines: list[str] = []
    for generator in given.generators.split(","):
        for seed in given.seeds.split(","):
            fleet = make_fleet(generator, machines=given.machines, days=given.days, seed=int(seed))
            found = watched(fleet, given.every_days)
            told += found
            lines += wrong_lines(fleet, found)
    for by in (lambda one: one.what, lambda one: f"{one.what}, {flow_of(one)}"):
        print("\n".join([*reliability_table(told, by), ""]))
    if given.lines:
        print("\n".join(lines))
    return 0


if __name__ == "__main__":
    sys.exit(main())
