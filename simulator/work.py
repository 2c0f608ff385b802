"""
When a machine works, and how hard: power cycles over the year, the engine from state to state.

Promises: pure and seeded. Time is in seconds since 1970-01-01 UTC; the plateau works by daylight.
Leaves to others: what the element makes of it (`loading`), what is measured (`monitor`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanside.simulator.difficulty import DAYS_A_YEAR, Difficulty, Floats, drawn, drawn_count
from cleanside.simulator.roster import Member, member_random

DAY_S, HOUR_S = 86_400.0, 3_600.0
SHIFT_START_H = 5.0  # UTC
FIRST_MONDAY_S = 4 * DAY_S  # 1970-01-05
LIGHT_DAYS = 7
IDLE_SPEED, IDLE_LOAD = 0.40, 0.05  # of rated speed and full load; common practice


@dataclass(frozen=True, slots=True)
class Cycles:
    """Power cycles in time order. Arrays, shape (n,)."""

    on_s: Floats
    off_s: Floats

    @property
    def hours(self) -> Floats:
        """Length of each. [h]"""
        return (self.off_s - self.on_s) / HOUR_S

    @property
    def hours_before(self) -> Floats:
        """Operating hours before each, and at the end; shape (n + 1,). [h]"""
        return np.concatenate(([0.0], np.cumsum(self.hours)))

    def at_hours(self, hours: Floats) -> Floats:
        """Instant at which the machine has run for so many hours. [s]"""
        before = self.hours_before
        cycle = np.clip(np.searchsorted(before, hours, side="right") - 1, 0, len(self.on_s) - 1)
        return np.asarray(self.on_s[cycle] + (hours - before[cycle]) * HOUR_S)


@dataclass(frozen=True, slots=True)
class Engine:
    """Speed over rated speed, and load over full load, at each of some instants. Arrays, shape (n,)."""

    speed: Floats
    load: Floats


def make_cycles(member: Member, difficulty: Difficulty, *, start_s: float, days: int, seed: int) -> Cycles:
    """Two to four power cycles on each working day, no work in holiday weeks. `start_s` is a midnight."""
    random = member_random(seed, member.number, "cycles")
    work = difficulty["work"]
    weeks = max(1, days // 7)
    holidays = set(
        random.choice(weeks, min(weeks, _per_year(random, work["holiday_weeks"], days)), replace=False)
    )
    on_s: list[float] = []
    off_s: list[float] = []
    for day in range(days):
        midnight_s = start_s + day * DAY_S
        weekday = int((midnight_s - FIRST_MONDAY_S) // DAY_S) % 7
        if weekday >= member.days_a_week or day // 7 in holidays:
            continue
        lengths_h = random.dirichlet(np.full(drawn_count(random, work["cycles"]), 6.0)) * member.shift_h
        breaks_h = random.uniform(0.1, 0.7, len(lengths_h))
        starts_h = SHIFT_START_H + random.uniform(-0.3, 0.3) + np.cumsum(lengths_h + breaks_h)
        starts_h -= lengths_h + breaks_h
        on_s += (midnight_s + starts_h * HOUR_S).tolist()
        off_s += (midnight_s + (starts_h + lengths_h) * HOUR_S).tolist()
    return Cycles(np.array(on_s), np.array(off_s))


def light_spans(
    member: Member, difficulty: Difficulty, *, start_s: float, days: int, seed: int
) -> list[tuple[float, float, float]]:
    """Weeks of light work: from, until [s], and the mean load in them."""
    random = member_random(seed, member.number, "light")
    work = difficulty["work"]
    spans = []
    for _ in range(_per_year(random, work["light_weeks"], days)):
        first_s = start_s + float(random.integers(0, max(1, days - LIGHT_DAYS))) * DAY_S
        spans.append((first_s, first_s + LIGHT_DAYS * DAY_S, drawn(random, work["light_load"])))
    return sorted(spans)


def run_engine(
    member: Member,
    difficulty: Difficulty,
    at_s: Floats,
    *,
    light: list[tuple[float, float, float]],
    seed: int,
) -> Engine:
    """
    Working states that last some minutes each, at the instants `at_s`, rising, shape (n,).

    The same instants and seed give the same engine. A genset holds its speed; its load varies.
    """
    random = member_random(seed, member.number, "engine")
    work = difficulty["work"]
    state = np.floor(at_s / (60.0 * work["dwell_min"])).astype(np.int64)
    _, slot = np.unique(state, return_inverse=True)
    states = int(slot.max()) + 1 if len(slot) else 0
    idle = (random.random(states) < member.idle_share)[slot]
    offset = random.normal(0.0, work["load_spread"], states)[slot]
    load = np.clip(_mean_load(member, at_s, light) + offset, 0.1, 1.0)
    load = np.where(idle, IDLE_LOAD, load)
    if member.constant_speed:
        return Engine(np.ones(len(at_s)), load)
    speed = np.clip(0.6 + 0.4 * load + random.normal(0.0, 0.05, states)[slot], 0.5, 1.0)
    return Engine(np.where(idle, IDLE_SPEED, speed), load)


def within(at_s: Floats, from_s: float, until_s: float) -> npt.NDArray[np.bool_]:
    """Which instants are in [from, until)."""
    return np.asarray((at_s >= from_s) & (at_s < until_s))


def _mean_load(member: Member, at_s: Floats, light: list[tuple[float, float, float]]) -> Floats:
    mean = np.full(len(at_s), member.load)
    for from_s, until_s, load in light:
        mean[within(at_s, from_s, until_s)] = load
    return mean


def _per_year(random: np.random.Generator, low_high: list[int], days: int) -> int:
    """How often in `days`, where the file says how often in a year."""
    return int(random.binomial(drawn_count(random, low_high), min(1.0, days / DAYS_A_YEAR)))
