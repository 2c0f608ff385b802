"""
Air and dust of the plateau's sites, day by day, and the fog and rain that swell an element for hours.

Promises: pure and seeded; machines on one site share its weather.
Leaves to others: what an element makes of it (`loading`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.simulator.difficulty import DAYS_A_YEAR, Difficulty, Floats, drawn, spread_factor
from cleanside.simulator.roster import Member, member_random
from cleanside.simulator.work import DAY_S, HOUR_S

ZERO_CELSIUS_K = 273.15
PRESSURE_MEMORY_DAYS = 3.0  # a front passes in about that time; common knowledge
LAPSE_K_PER_M, SEA_LEVEL_K, SEA_LEVEL_PA, PRESSURE_POWER = 0.0065, 288.15, 101_325.0, 5.2559  # ISO 2533


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where a machine is, day by day. Arrays, shape (days,)."""

    start_s: float
    altitude_m: Floats
    #: how fast elements load, 1 = mean
    dust: Floats
    #: weather's part of the pressure, and its mean at this altitude [Pa]
    pressure_pa: Floats
    year_k: Floats
    day_swing_k: float

    def day(self, at_s: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        """The day of each instant."""
        return np.clip(((at_s - self.start_s) // DAY_S).astype(np.int64), 0, len(self.dust) - 1)

    def temperature_k(self, at_s: Floats) -> Floats:
        """Air temperature: warmest at three in the afternoon. [K]"""
        swing = self.day_swing_k * np.sin((at_s / HOUR_S - 9.0) / 24.0 * 2 * np.pi)
        return np.asarray(self.year_k[self.day(at_s)] + swing)


def make_place(
    member: Member, difficulty: Difficulty, *, start_s: float, days: int, seed: int
) -> Whereabouts:
    """The sites a machine works on, one after the other, and their weather."""
    random = member_random(seed, member.number, "sites")
    dust = difficulty["dust"]
    site = np.zeros(days, dtype=np.int64)
    day = 0
    while day < days:
        stay = int(drawn(random, dust["site_days"]))
        site[day : day + stay] = random.integers(dust["sites"])
        day += stay
    sites = [_make_site(number, difficulty, days, seed) for number in range(dust["sites"])]
    altitude_m = np.array([s[0] for s in sites])[site]
    rows = np.arange(days)
    into_year = (start_s / DAY_S + rows) / (DAYS_A_YEAR + 0.25) * 2 * np.pi
    mean = SEA_LEVEL_PA * (1 - LAPSE_K_PER_M * altitude_m / SEA_LEVEL_K) ** PRESSURE_POWER
    return Whereabouts(
        start_s=start_s,
        altitude_m=altitude_m,
        dust=np.stack([s[1] for s in sites])[site, rows],
        pressure_pa=mean + np.stack([s[2] for s in sites])[site, rows],
        year_k=ZERO_CELSIUS_K + dust["mean_c"] - dust["year_swing_k"] * np.cos(into_year),
        day_swing_k=dust["day_swing_k"],
    )


def wet_rise(
    member: Member, difficulty: Difficulty, *, hours: int, days: int, seed: int
) -> tuple[Floats, list[tuple[float, float, float]]]:
    """
    Relative rise by water in the media at each operating hour, shape (hours,), and the spells.

    Spells are (first operating hour, last, peak). A short one comes and goes like half a sine wave; a long
    one stays, between one hour up and one down.
    """
    random = member_random(seed, member.number, "wet")
    wet = difficulty["wet_spell"]
    rise = np.zeros(hours)
    spells = []
    for _ in range(random.poisson(wet["per_1000_h"] * hours / 1000)):
        u_long, u_rise = random.random(2)
        length = float(np.interp(u_long, wet["quantiles"], wet["hours"]))
        spells.append(
            (float(random.uniform(0, hours)), length, float(np.interp(u_rise, wet["quantiles"], wet["rise"])))
        )
    for _ in range(random.poisson(wet["long_per_year"] * days / DAYS_A_YEAR)):
        length, peak = drawn(random, wet["long_hours"]), drawn(random, wet["long_rise"])
        spells.append((float(random.uniform(0, hours)), length, peak))
    for first, length, peak in spells:
        rows = np.arange(max(0, int(first)), min(hours, int(np.ceil(first + length)) + 1))
        part = np.clip((rows + 0.5 - first) / length, 0.0, 1.0)
        shape = (
            np.sin(np.pi * part) if length <= 24.0 else np.minimum(1.0, length * np.minimum(part, 1 - part))
        )
        rise[rows] = np.maximum(rise[rows], peak * shape)
    return rise, [(first, first + length, peak) for first, length, peak in spells]


def _make_site(number: int, difficulty: Difficulty, days: int, seed: int) -> tuple[float, Floats, Floats]:
    """Altitude, dust and pressure departure of one site, day by day."""
    random = np.random.default_rng([seed, number, *b"site"])
    dust = difficulty["dust"]
    altitude_m = drawn(random, dust["altitude_m"])
    of_site = spread_factor(random, dust["site_spread"])
    of_day = np.exp(random.normal(0.0, dust["day_spread"], days) - dust["day_spread"] ** 2 / 2)
    wet = random.random(days) < dust["wet_day_share"]
    factor = of_site * of_day * np.where(wet, dust["wet_day_factor"], 1.0)
    return altitude_m, factor, wander(random, days, dust["pressure_spread_pa"], PRESSURE_MEMORY_DAYS)


def wander(random: np.random.Generator, rows: int, spread: float, memory_rows: float) -> Floats:
    """
    A stationary first-order autoregression, shape (rows,): standard deviation `spread`, correlation
    exp(-lag / memory_rows).
    """
    keep = float(np.exp(-1.0 / memory_rows))
    values = random.normal(0.0, spread * np.sqrt(1 - keep**2), rows)
    if rows:
        values[0] = random.normal(0.0, spread)
    for row in range(1, rows):
        values[row] += keep * values[row - 1]
    return values
