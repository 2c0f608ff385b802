"""
`cleanside-simulator fleet`: a large fleet through a year, with the truth written beside what it measured.

Promises: seeded; the same choices write the same files. Nothing is sent anywhere, nothing is overwritten
unasked.
Leaves to others: scoring what an analysis makes of it (`python -m tests.benchmark.bench_fleet_truth`).
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console
from rich.progress import track

from cleanside.gateway.units import counted
from cleanside.simulator.difficulty import read_difficulty
from cleanside.simulator.truth import make_room, write_years
from cleanside.simulator.year import Year, live

START_AT = datetime(2027, 1, 4, tzinfo=UTC)  # a Monday


@dataclass(frozen=True, kw_only=True, slots=True)
class FleetChoices:
    """What can be chosen on the command line."""

    machines: int = 200
    days: int = 365
    seed: int = 1
    cadence_s: float = 60.0
    out: Path = Path("fleet")
    overwrite: bool = False


def run_fleet(choices: FleetChoices, *, console: Console) -> int:
    """Write the fleet's years; returns the exit code."""
    began_s = time.monotonic()
    make_room(choices.out, overwrite=choices.overwrite)
    about = {name: str(getattr(choices, name)) for name in ("machines", "days", "seed", "cadence_s")}
    numbers = track(range(choices.machines), description=counted(choices.days, "day"), console=console)
    readings = write_years(choices.out, years(choices, numbers), about)
    took_s = time.monotonic() - began_s
    counts = {"machine": choices.machines, "day": choices.days, "reading": readings}
    size = ", ".join(counted(number, noun) for noun, number in counts.items())
    console.print(f"{size}: {choices.out}, {took_s:.0f} s.")
    return 0


def years(choices: FleetChoices, numbers: Iterable[int]) -> Iterator[Year]:
    """The years of these machines of the chosen fleet, one after the other."""
    difficulty = read_difficulty()
    for number in numbers:
        yield live(
            number,
            difficulty,
            start_s=START_AT.timestamp(),
            days=choices.days,
            seed=choices.seed,
            cadence_s=choices.cadence_s,
        )
