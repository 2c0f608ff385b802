"""
Some machines of the simulated fleet end to end: real gateways, a real server, and its answers scored.

    python -m tests.benchmark.bench_fleet_live [--machines N] [--days N] [--seed N] [--every-days N]

A machine's gateways are killed on 3 days in 100; there are coverage gaps, boots without a fix, lost replies.
Beside the scores it says whether every reading on disk is accounted for, and exits non-zero if one is not.
The same machines are then scored from summaries as `bench_fleet_truth` does, to be read beside.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console

from cleanside.simulator.difficulty import read_difficulty
from cleanside.simulator.fleet_year import FleetChoices, run_fleet
from tests.benchmark.bench_fleet_truth import watch_fleet
from tests.support.fleet_live import live_through
from tests.support.fleet_report import figures_of, miss_lines, table_lines
from tests.support.fleet_truth import read_fleet, score


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="machines of the simulated fleet, end to end")
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=2)
    parser.add_argument("--cadence-s", type=float, default=120.0)
    parser.add_argument("--every-days", type=int, default=1, help="ask the server every N days")
    parser.add_argument("--misses", action="store_true", help="list what was missed and what was wrong")
    given = parser.parse_args(words)
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="cleanside-fleet-") as scratch:
        folder = Path(scratch)
        choices = FleetChoices(
            machines=given.machines,
            days=given.days,
            seed=given.seed,
            cadence_s=given.cadence_s,
            out=folder / "truth",
        )
        run_fleet(choices, console=Console(quiet=True))
        machines = read_fleet(folder / "truth")
        lived = live_through(
            machines, folder, seed=given.seed, cadence_s=given.cadence_s, every_days=given.every_days
        )
        took_s = time.monotonic() - began_s
        beside = watch_fleet(folder / "truth", machines, given.every_days)
    scores = [score(machine, lived.said[machine.name], read_difficulty()) for machine in machines]
    print("end to end, from the server's answers")
    print("\n".join(table_lines(figures_of(scores))))
    if given.misses:
        print("\n".join(line for m, s in zip(machines, scores, strict=True) for line in miss_lines(m, s)))
    print("the same machines from summaries")
    print("\n".join(table_lines(figures_of([of_machine for of_machine, _ in beside]))))
    balanced = bool(lived.account["balances"]) and not lived.faults
    print(
        f"{lived.readings:,} readings stored, {lived.kills} kills, {took_s:.0f} s. "
        f"The account {'balances' if balanced else 'does NOT balance'}."
    )
    print("\n".join(lived.faults))
    return 0 if balanced else 1


if __name__ == "__main__":
    sys.exit(main())
