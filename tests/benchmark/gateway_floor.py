"""
What the gateway's benchmarks share: a recording, bare SQLite as the floor, pairs, and how a ratio is shown.

Nothing here is a command. The recording is made here, seeded, so that a figure can be had again.
"""

from __future__ import annotations

import gc
import random
import statistics
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import apsw

from cleanside.gateway.spool.payload import write_values
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.wire import Reading, us_of

DEVICE = "grader-07-intake"
PAIRS = 7
BEGIN = datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
UNITS = {
    "restriction": "kPa",
    "engine_speed": "r/min",
    "ambient_pressure": "kPa",
    "supply_voltage": "V",
    "intake_temperature": "Cel",
}

Row = tuple[int, str]


def recording(count: int, *, seed: int = 7) -> list[Reading]:
    """
    The recording "plateau grader": noise and wander at J1939 resolution, every 10 s with jitter.

    Resolutions of SAE J1939-71, from memory: 0.05 kPa (SPN 107), 0.125 r/min (SPN 190), 0.5 kPa (SPN 108),
    0.05 V (SPN 168), 1 degC (SPN 105).
    """
    chance = random.Random(seed)
    at, speed, made = BEGIN, 1800.0, []
    for number in range(count):
        at += timedelta(milliseconds=10_000 + round(chance.gauss(0, 15)))
        speed = min(2200.0, max(700.0, speed + chance.gauss(0, 60)))
        restriction = 2.0 + 1e-5 * number + 1.5 * (speed / 2000) ** 2 + chance.gauss(0, 0.05)
        values = {
            "restriction": round(round(restriction / 0.05) * 0.05, 2),
            "engine_speed": round(speed / 0.125) * 0.125,
            "ambient_pressure": 92.5 + 0.5 * round(chance.gauss(0, 0.6)),
            "supply_voltage": round(round(chance.gauss(27.6, 0.08) / 0.05) * 0.05, 2),
            "intake_temperature": float(round(chance.gauss(38, 1.5))),
        }
        made.append(Reading(at=at, values=values, units=UNITS))
    return made


def rows_of(readings: Sequence[Reading]) -> list[Row]:
    """The same readings as the floor takes them: instant and payload, the very text that the spool writes."""
    return [(us_of(r.at), write_values(r.values.values())) for r in readings if r.at is not None]


class Bare:
    """The floor: one table, the same library, log, sync and payload, nothing else."""

    def __init__(self, path: Path) -> None:
        self.connection = apsw.Connection(str(path))
        self.connection.execute("PRAGMA journal_mode=WAL").get  # noqa: B018
        self.connection.execute("PRAGMA synchronous=FULL")
        self.connection.execute("CREATE TABLE q (p INTEGER PRIMARY KEY, at INTEGER, payload TEXT)")

    def append(self, rows: Sequence[Row]) -> int:
        """One commit. Returns the last row's number."""
        self.connection.execute("BEGIN IMMEDIATE")
        self.connection.executemany("INSERT INTO q (at, payload) VALUES (?, ?)", rows)
        self.connection.execute("COMMIT")
        return self.connection.last_insert_rowid()


def open_spool(path: Path) -> Spool:
    """A spool whose budget no benchmark reaches."""
    return Spool(path, device=DEVICE, clock=SystemClock(), budget_bytes=2**40)


def timed(work: Callable[[], object]) -> float:
    """Seconds that `work` takes."""
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def in_turns(works: Sequence[Callable[[int], object]], turns: int) -> list[float]:
    """
    Seconds that each work takes over all turns, taken in short turns so that a busy moment hits all alike.

    works : called with the number of the turn. What lies in memory already is the benchmark's, not theirs:
    the collector leaves it alone.
    """
    gc.collect()
    gc.freeze()
    spent_s = [0.0] * len(works)
    for turn in range(turns):
        order = range(len(works)) if turn % 2 == 0 else reversed(range(len(works)))
        for index in order:
            spent_s[index] += timed(lambda: works[index](turn))  # noqa: B023 - called at once
    gc.unfreeze()
    return spent_s


def show(name: str, ratios: Sequence[float], rate_per_s: float, *, of: str = "of the floor") -> None:
    """The median of the ratios with its range, and what it comes to."""
    low, middle, high = min(ratios), statistics.median(ratios), max(ratios)
    print(f"{name:42} {middle:5.2f} {of} ({low:.2f} to {high:.2f}); {rate_per_s:,.0f} readings/s")
