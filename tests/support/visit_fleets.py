"""
Simulated fleets on which ways of planning visits are compared: wear by the day, told apart from any plan.

Two generators with different assumptions, both pure and seeded:
- `plateau`: machines, shifts, sites' weather and element lives of the project's own simulator. The planner's
  forecast is right on average and as wide as it says: truth times a log-normal error, one an element.
- `bursts`: made for this comparison alone. Wear comes in gamma-distributed bursts and in storms that all
  sites share, lives are Weibull, some machines work two shifts and at weekends, restriction rises in a
  straight line. The forecast knows nothing of the truth: it goes on with the mean pace of the life so far,
  and its width is chosen, so it may be wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial

import numpy as np
import numpy.typing as npt

from cleanside.ingest.planning.day_costs import DueDays
from cleanside.simulator.difficulty import read_difficulty, spread_factor
from cleanside.simulator.roster import make_member
from cleanside.simulator.weather import make_place
from cleanside.simulator.work import DAY_S, make_cycles

Floats = npt.NDArray[np.float64]
MONDAY_S = datetime(2027, 1, 4, tzinfo=UTC).timestamp()
SERVICE_EVERY_H = 250.0  # common practice
SITES = 6
ERROR = 0.2  # of ln(hours left), of the forecast on `plateau`; as wide as the project's own on its benches
Z90 = 1.2816


@dataclass(kw_only=True)
class Machine:
    """One machine through the time: what it works and meets each day, and the element in it."""

    name: str
    site: str
    hours: Floats  # operating hours of each day, shape (days,)
    dust: Floats  # what loads an element each day; its life is a length of it
    power: float  # restriction above clean = share of life used to this power
    draw_length: Callable[[], float]
    draw_error: Callable[[], float]
    told: Callable[[Machine, int], DueDays]
    length: float = 1.0
    met: float = 0.0
    life_h: float = 0.0
    error: float = 0.0
    worked_h: float = 0.0

    @property
    def used(self) -> float:
        """Share of its life that the element has behind it; 1: at the limit."""
        return self.met / self.length

    @property
    def hours_per_day(self) -> float:
        """Mean over all days, which a planner knows from the past."""
        return max(0.5, float(self.hours.mean()))

    def renew(self, used: float = 0.0) -> None:
        """Another element, some of its life behind it."""
        self.length, self.error, self.life_h = self.draw_length(), self.draw_error(), 0.0
        self.met = used * self.length
        pace = float(self.dust.sum() / max(self.hours.sum(), 1.0))
        self.life_h = self.met / max(pace, 1e-9)

    def work(self, day: int) -> None:
        """A day of work."""
        self.met += float(self.dust[day])
        self.life_h += float(self.hours[day])
        self.worked_h += float(self.hours[day])

    def service_days(self) -> list[int]:
        """The working days on which it has a service."""
        done = np.floor(np.cumsum(self.hours) / SERVICE_EVERY_H)
        days = np.flatnonzero(np.diff(done, prepend=0.0) > 0) + 1
        return [int(day + (7 - day % 7 if day % 7 >= 5 else 0)) for day in days]

    def true_days_left(self, day: int) -> float:
        """Days from a morning until the limit, beyond the simulated time at the mean pace."""
        ahead = self.met + np.cumsum(self.dust[day:])
        if len(ahead) and ahead[-1] >= self.length:
            return float(np.searchsorted(ahead, self.length))
        left = self.length - (float(ahead[-1]) if len(ahead) else self.met)
        return len(ahead) + left / max(float(self.dust.mean()), 1e-9)


def plateau(seed: int, machines: int, days: int) -> list[Machine]:
    """A fleet of the project's own simulator."""
    difficulty = read_difficulty()
    found = []
    for number in range(machines):
        member = make_member(number, difficulty, seed)
        cycles = make_cycles(member, difficulty, start_s=MONDAY_S, days=days, seed=seed)
        place = make_place(member, difficulty, start_s=MONDAY_S, days=days, seed=seed)
        on_day = ((cycles.on_s - MONDAY_S) // DAY_S).astype(np.int64)
        hours = np.bincount(on_day, cycles.hours, minlength=days)[:days].astype(np.float64)
        random = np.random.default_rng([seed, number])
        machine = Machine(
            name=member.name,
            site=f"site-{number % SITES}",
            hours=hours,
            dust=hours * place.dust,
            power=difficulty["loading"]["power"],
            draw_length=partial(_length, random, member.life_h, difficulty["loading"]["life_spread"]),
            draw_error=partial(random.normal, 0.0, ERROR),
            told=_told_with_error,
        )
        machine.renew(used=float(random.uniform(0.0, 0.95)))
        found.append(machine)
    return found


def bursts(seed: int, machines: int, days: int) -> list[Machine]:
    """A fleet with other habits and another kind of wear."""
    common = np.random.default_rng([seed, 7])
    storms = np.where(common.random(days) < 0.08, common.uniform(2.0, 5.0, days), 1.0)
    found = []
    for number in range(machines):
        random = np.random.default_rng([seed, 11, number])
        weekend = random.random() < 0.3
        shift_h = random.choice((9.0, 18.0), p=(0.7, 0.3))
        works = np.array([day % 7 < 5 or weekend for day in range(days)]) & (random.random(days) > 0.1)
        hours = np.where(works, shift_h * random.uniform(0.6, 1.0, days), 0.0)
        machine = Machine(
            name=f"unit-{number:03}",
            site=f"site-{number % SITES}",
            hours=hours,
            dust=hours * storms * random.gamma(0.7, 1 / 0.7, days),
            power=1.0,
            draw_length=partial(_weibull, random),
            draw_error=lambda: 0.0,
            told=_told_by_pace,
        )
        machine.renew(used=float(random.uniform(0.0, 0.95)))
        found.append(machine)
    return found


def _length(random: np.random.Generator, mean_h: float, spread: float) -> float:
    return mean_h * spread_factor(random, spread)


def _weibull(random: np.random.Generator) -> float:
    return 700.0 * float(random.weibull(2.5)) + 60.0


def _told_with_error(machine: Machine, day: int) -> DueDays:
    left = machine.true_days_left(day) * float(np.exp(machine.error))
    return DueDays(
        early=left * float(np.exp(-Z90 * ERROR)), likely=left, late=left * float(np.exp(Z90 * ERROR))
    )


def _told_by_pace(machine: Machine, _: int) -> DueDays:
    """The life so far goes on; a young one is drawn to the pace of the fleet. Width: chosen."""
    pace = (machine.used + 0.2) / (machine.life_h + 0.2 * 650.0)  # life an operating hour
    left = max(0.0, 1.0 - machine.used) / pace / machine.hours_per_day
    return DueDays(early=0.65 * left, likely=left, late=1.5 * left)
