"""
When each machine is keyed on, when it has coverage, and which key-off cuts its gateway in mid-write.

Promises: pure; the same seed and start give the same schedule. All instants are aware UTC.
Leaves to others: doing it (`demo.py`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from cleanside.simulator.fleet import MachineSpec

SHIFT_START_H = 5.0  # UTC; the plateau works by daylight
SHIFT_HOURS = 9.5
NO_WORK_WEEKDAY = 6  # Sunday


@dataclass(frozen=True, slots=True)
class PowerCycle:
    """One key-on to key-off. `cut`: the gateway is killed while it writes; else it sees key-off coming."""

    on_at: datetime
    off_at: datetime
    cut: bool = False


@dataclass(frozen=True, slots=True)
class Schedule:
    """All that happens to one machine."""

    cycles: tuple[PowerCycle, ...]
    #: spans without a link
    coverage_gaps: tuple[tuple[datetime, datetime], ...]

    def has_link(self, at: datetime) -> bool:
        """True where the machine has coverage at that instant."""
        return not any(start <= at < end for start, end in self.coverage_gaps)


def make_schedule(spec: MachineSpec, *, start_at: datetime, days: int, seed: int) -> Schedule:
    """Lay out `days` of work from `start_at` (midnight UTC): two to four power cycles a working day."""
    random = np.random.default_rng([seed, *spec.name.encode()])
    cycles = [cycle for day in range(days) for cycle in _one_day(start_at + timedelta(days=day), random)]
    cut = set(random.choice(len(cycles) - 1, size=min(spec.cuts, len(cycles) - 1), replace=False).tolist())
    gaps = [
        (start_at + timedelta(days=first), start_at + timedelta(days=last))
        for first, last in spec.valley_days
    ]
    return Schedule(
        cycles=tuple(PowerCycle(c.on_at, c.off_at, cut=i in cut) for i, c in enumerate(cycles)),
        coverage_gaps=tuple(gaps + _dead_spots(cycles, random)),
    )


def _one_day(midnight: datetime, random: np.random.Generator) -> Iterator[PowerCycle]:
    if midnight.weekday() == NO_WORK_WEEKDAY:
        return
    on_at = midnight + timedelta(hours=SHIFT_START_H + random.uniform(-0.3, 0.3))
    lengths_h = random.dirichlet(np.full(random.integers(2, 5), 6.0)) * SHIFT_HOURS
    for hours in lengths_h:
        off_at = on_at + timedelta(hours=float(hours))
        yield PowerCycle(on_at, off_at)
        on_at = off_at + timedelta(minutes=float(random.uniform(4, 40)))


def _dead_spots(cycles: list[PowerCycle], random: np.random.Generator) -> list[tuple[datetime, datetime]]:
    """Short losses of the link: about one in three power cycles has one, minutes to two hours long."""
    spots = []
    for cycle in cycles:
        if random.random() < 1 / 3:
            start = cycle.on_at + (cycle.off_at - cycle.on_at) * float(random.random())
            spots.append((start, start + timedelta(minutes=float(random.uniform(5, 120)))))
    return spots
