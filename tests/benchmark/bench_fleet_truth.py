"""
The analysis on a simulated fleet with known truth: every figure with a 95 % interval over machines.

    cleanside-simulator fleet --seed 2 --out FLEET
    python -m tests.benchmark.bench_fleet_truth FLEET [--machines N] [--dates-every-days N] [--misses]
        [--processes N] [--json FILE]

Each machine is looked at every day at 20:00 UTC, with the hours whose readings had all arrived by then and
the terminal value as it stood entered (a server looks after each batch that it stores). Dates are compared on
every so many of these days only, because the forecast is what costs. The analysis gets no entry of an
element change. What the fleet teaches is learned on four days of the year, from the lives known by then.
How hard the fleet is stands in simulator/difficulty.toml and was fixed first.
"""

from __future__ import annotations

import argparse
import functools
import json
import multiprocessing
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow.parquet as pq

from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Life,
    Readings,
    Summaries,
    assess_housing,
    housing_teaches,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.forecast.fleet_knowledge import USUAL_LIFE_H
from cleanside.ingest.restriction.forecast.forecast import Forecaster
from cleanside.simulator.difficulty import read_difficulty
from tests.support.fleet_report import figures_by_flow, figures_of, miss_lines, table_lines
from tests.support.fleet_truth import DAY_S, Machine, Said, Score, read_fleet, score

LOOK_AT_S = 20 * 3600.0  # of a day: the shift is over
LEARN_ON_DAYS = (28, 91, 182, 273)  # fitting 1 000 lives takes minutes: a first look, then by the quarter
PROCESSES = 2

T = TypeVar("T")


class Seen:
    """Hourly summaries of a machine, and when each hour had arrived."""

    def __init__(self, folder: Path, machine: Machine) -> None:
        table = pq.read_table(folder / "readings" / f"{machine.name}.parquet")
        columns = {n: table[n].to_numpy() for n in table.column_names}
        at_s = columns["at_us"] / 1e6
        known = {f.name for f in fields(Readings)} & set(columns)
        self._all = summarise_hours(Readings(at_s=at_s, **{n: columns[n].astype(np.float64) for n in known}))
        hours, place = np.unique((at_s // 3600).astype(np.int64), return_inverse=True)
        self._arrived_s = np.full(len(hours), -np.inf)
        np.maximum.at(self._arrived_s, place, np.maximum(columns["arrived_s"], at_s))

    def by(self, at_s: float) -> Summaries:
        """The hours that had arrived whole."""
        keep, every = self._arrived_s <= at_s, self._all
        bins = every.bins[np.repeat(keep, every.bin_count)]
        parts = [every.parts[i] for i in np.flatnonzero(keep).tolist()]
        return Summaries(every.hours[keep], bins, every.bin_count[keep], parts)


class Watch:
    """
    The fleet under watch. Work is spread over processes by forking, which see what was made before.

    A method that is run in another process takes the number of a machine.
    """

    def __init__(
        self,
        folder: Path,
        machines: Sequence[Machine],
        every_days: int,
        learn_on_days: Sequence[int],
        processes: int,
    ) -> None:
        self._folder = folder
        self._machines = machines
        self._every_days = every_days
        about = machines[0].about
        days = np.array([day for day in learn_on_days if day < about["days"]], dtype=np.float64)
        self._learn_at_s = about["start_s"] + LOOK_AT_S + days * DAY_S
        self._processes = processes
        self._seen: list[Seen] = []
        self._snapshots = [FleetKnowledge()]
        self._undated = [FleetKnowledge()]  # the same without what their lives say of dates

    def run(self) -> list[tuple[Score, list[Said]]]:
        """Summarise, learn the fleet at each learning day in turn, then look at every machine."""
        self._seen = self._spread(self._summarise)
        for at_s in self._learn_at_s.tolist():
            lives = self._spread(functools.partial(self._lives, at_s=at_s))
            self._snapshots.append(learn_fleet([life for of_machine in lives for life in of_machine]))
            _ = self._snapshots[-1].forecaster  # fitted here, once, instead of in each process
            self._undated.append(replace(self._snapshots[-1], fitted=Forecaster(None, USUAL_LIFE_H)))
        return self._spread(self._watch)

    def _spread(self, work: Callable[[int], T]) -> list[T]:
        if self._processes == 1:
            return [work(number) for number in range(len(self._machines))]
        with multiprocessing.get_context("fork").Pool(self._processes) as pool:
            return pool.map(work, range(len(self._machines)), chunksize=1)

    def _summarise(self, number: int) -> Seen:
        return Seen(self._folder, self._machines[number])

    def _lives(self, number: int, *, at_s: float) -> list[Life]:
        """Lives of a machine by then, as they were known then."""
        machine = self._machines[number]
        facts = facts_of(machine, at_s, self._snapshots[-1])
        return housing_teaches(self._seen[number].by(at_s), facts).lives

    def _watch(self, number: int) -> tuple[Score, list[Said]]:
        machine = self._machines[number]
        said = []
        for day in range(machine.about["days"]):
            at_s = machine.about["start_s"] + day * DAY_S + LOOK_AT_S
            summaries = self._seen[number].by(at_s)
            if not len(summaries):
                continue
            latest = int(np.searchsorted(self._learn_at_s, at_s, side="left"))
            if (day + 1) % self._every_days == 0:
                said.append(look(machine, summaries, self._snapshots[latest], at_s))
            else:
                undated = look(machine, summaries, self._undated[latest], at_s)
                said.append(replace(undated, hours_left=None, due_s=None))
        return score(machine, said, read_difficulty()), said


def facts_of(machine: Machine, at_s: float, snapshot: FleetKnowledge) -> HousingFacts:
    """What was entered of a machine by then, with what the fleet taught."""
    return HousingFacts(
        terminal_pa=machine.entered_terminal_pa(at_s),
        terminal_entered=machine.entered_terminal(at_s),
        fleet=snapshot,
        machine=machine.name,
        kind=machine.about["kind"],
    )


def look(machine: Machine, summaries: Summaries, snapshot: FleetKnowledge, at_s: float) -> Said:
    """What the analysis says of a machine at an instant."""
    told = assess_housing(summaries, facts_of(machine, at_s, snapshot), now_s=at_s)
    left, due = told.study.hours_left, told.due_s
    return Said(
        at_s=at_s,
        seen_h=float(machine.hours_at(float(summaries.hours["last_s"][-1]))),
        state=told.state,
        causes=frozenset(s.cause for s in told.study.suspicions),
        hours_left=None if left is None else np.array([left.p10, left.p50, left.p90]),
        due_s=None if due is None else np.array([due.p10, due.p50, due.p90]),
        found=tuple((life.start_s, life.began) for life in told.study.lives[1:]),
    )


def watch_fleet(
    folder: Path,
    machines: Sequence[Machine],
    every_days: int,
    *,
    learn_on_days: Sequence[int] = LEARN_ON_DAYS,
    processes: int = 1,
) -> list[tuple[Score, list[Said]]]:
    """
    Score and looks of every machine, dates told every so many days.

    processes : more than one only where no thread runs beside, as they are forked.
    """
    return Watch(folder, machines, every_days, learn_on_days, processes).run()


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="score the analysis against a simulated fleet's truth")
    parser.add_argument("fleet", type=Path, help="folder written by `cleanside-simulator fleet`")
    parser.add_argument("--machines", type=int, metavar="N", help="the first N only")
    parser.add_argument(
        "--dates-every-days", type=int, default=1, metavar="N", help="tell dates every N days (default: 1)"
    )
    parser.add_argument("--misses", action="store_true", help="list what was missed and what was wrong")
    parser.add_argument("--processes", type=int, default=PROCESSES, metavar="N", help="default: 2")
    parser.add_argument("--json", type=Path, metavar="FILE")
    given = parser.parse_args(words)
    began_s = time.monotonic()
    machines = read_fleet(given.fleet)[: given.machines]
    watched = watch_fleet(given.fleet, machines, given.dates_every_days, processes=given.processes)
    scores = [of_machine for of_machine, _ in watched]
    figures = [*figures_of(scores), *figures_by_flow(machines, scores)]
    print("\n".join(table_lines(figures)))
    if given.misses:
        print("\n".join(line for m, s in zip(machines, scores, strict=True) for line in miss_lines(m, s)))
    print(
        f"{len(machines)} machines, a look a day, dates every {given.dates_every_days} days, "
        f"{time.monotonic() - began_s:.0f} s"
    )
    if given.json is not None:
        found = {m.name: asdict(s) for m, s in zip(machines, scores, strict=True)}
        about = [asdict(figure) | {"verdict": figure.verdict} for figure in figures]
        given.json.write_text(json.dumps({"figures": about, "scores": found}, indent=1, default=float))
    return 0


if __name__ == "__main__":
    sys.exit(main())
