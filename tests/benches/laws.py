"""
Made benches of another pen: three laws of loading, each with a difficulty of its own. They score only.

Whoever wrote them had read nothing of the forecast. Nothing was moved after the first score.
Sources, from memory unless said otherwise; figures of lengths, dust and noise are chosen:
- compressible cake: F. M. Tiller, "The Role of Porosity in Filtration", Chem. Eng. Progress 49 (1953), and
  Ruth's mean resistance: it rises with the power s of the pressure on the cake, so that at constant flow the
  drop rises with the power 1/(1-s) of the dust.
- depth, then cake: C. N. Davies, "Air Filtration" (1973): a medium's drop rises with the exponential of the
  dust in its depth; W. C. Hinds, "Aerosol Technology" (1999) ch. 9: a cake's drop rises in a straight line.
- life curves: those of more than 20 vehicles differ much and were fitted by regression, T. Dziubak,
  Separations 8 (2021) 71, read as an abstract. Their exponential form here is chosen.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tests.benches.form import Array, Bench, MadeLife, until_the_limit

JUDGED = 20
TERMINAL = 6.2  # kPa
SITES_H = (90.0, 180.0, 360.0)
SITES_S = (0.15, 0.45, 0.3)  # power of the pressure, by the dust of the site
UNSEEN_H, UNSEEN_S = 240.0, 0.5
TWINS = 5
SHIFT_H = 7.0  # operating hours a day
YEAR_DAYS = 365.0


def compressible_cake(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Batches of five near twins (3 %) from three labelled sites, each site with dust of its own.

    A batch has one delivery of elements and the same weeks. Judged: batches not seen, the last four of a
    site not seen.
    """

    def batch(number: int, size: int, length_h: float, power: float, site: str) -> list[MadeLife]:
        length_h = length_h * np.exp(rng.normal(0, 0.25))
        clean, rows = rng.uniform(0.2, 0.35), 180
        weeks = np.repeat(np.exp(rng.normal(0, 0.5, rows // 10 + 1)), 10)[:rows]
        made = []
        for twin in range(size):
            hours = np.arange(1.0, rows + 1) / 115.0 * length_h
            dust = np.cumsum(weeks) / weeks[:115].sum() * np.exp(rng.normal(0, 0.03))
            level = clean + (1 - clean) * dust ** (1 / (1 - power))
            seen = level + 0.006 * rng.normal(size=rows)
            name = f"{site} {number} {twin}"
            made.append(until_the_limit(name, hours, TERMINAL * seen, TERMINAL * level, TERMINAL, group=site))
        return made

    def at_site(number: int, size: int) -> list[MadeLife]:
        site = number % len(SITES_H)
        return batch(number, size, SITES_H[site], SITES_S[site], f"site {site}")

    batches = -(-count // TWINS)
    learned = [life for number in range(batches) for life in at_site(number, TWINS)][:count]
    judged = [at_site(100 + number, 1)[0] for number in range(JUDGED - 4)]
    judged += [batch(200 + number, 1, UNSEEN_H, UNSEEN_S, "another site")[0] for number in range(4)]
    return learned, judged


def depth_then_cake(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Four times as much dust in summer as in winter, noise of 4 % of terminal that is remembered, spikes of
    15 %; half of the lives to learn from are changed early. The truth is the level without the noise.
    """

    def one(number: int, censored: float) -> MadeLife:
        length_h = 400.0 * np.exp(rng.normal(0, 0.3))
        hours = np.linspace(0.0, 3.0 * length_h, 450)
        days = rng.uniform(0, YEAR_DAYS) + hours / SHIFT_H
        dust = np.cumsum(1 + 0.6 * np.sin(2 * np.pi * days / YEAR_DAYS)) * hours[1] / length_h
        level = _depth_then_cake(dust, rng.uniform(0.2, 0.3), rng.uniform(0.4, 0.9), rng.uniform(0.3, 0.6))
        noise = 0.04 * _remembered(rng, len(hours)) + 0.15 * rng.choice([-1, 0, 1], len(hours), p=_SPIKES)
        seen = rng.uniform(0.3, 0.95) if rng.uniform() < censored else 1.0
        shown = TERMINAL * np.maximum(level + noise, 0.02)
        return until_the_limit(f"life {number}", hours, shown, TERMINAL * level, TERMINAL, seen=seen)

    return [one(n, 0.5) for n in range(count)], [one(1000 + n, 0.0) for n in range(JUDGED)]


def few_and_cleaned(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Lengths spread by 0.7. Half of the elements are blown out once and go in again: 30 to 70 % of the rise is
    gone and they load 1.2 to 1.6 times as fast. No label says so. One life in five is changed early.
    """

    def curve(number: int) -> tuple[float, float, float]:
        del number
        return 300.0 * np.exp(rng.normal(0, 0.7)), rng.uniform(0.18, 0.32), rng.uniform(1.5, 4.5)

    def life(name: str, of: tuple[float, float, float], censored: float, *, cleaned: bool) -> MadeLife:
        length_h, clean, bend = of
        start, pace = 0.0, 1.0
        if cleaned:
            left = 1 - rng.uniform(0.3, 0.7)  # of the rise
            start, pace = np.log1p(left * np.expm1(bend)) / bend, rng.uniform(1.2, 1.6)
        hours = np.linspace(0.0, 1.4 * (1 - start) * length_h / pace, 170)
        dust = start + pace * hours / length_h
        level = clean + (1 - clean) * np.expm1(bend * dust) / np.expm1(bend)
        shown = level + 0.01 * rng.normal(size=len(hours))
        seen = rng.uniform(0.4, 0.9) if rng.uniform() < censored else 1.0
        return until_the_limit(name, hours, TERMINAL * shown, TERMINAL * level, TERMINAL, seen=seen)

    learned: list[MadeLife] = []
    while len(learned) < count:
        of, number = curve(len(learned)), len(learned)
        learned.append(life(f"new {number}", of, 0.2, cleaned=False))
        if rng.uniform() < 0.5:
            learned.append(life(f"cleaned {number}", of, 0.2, cleaned=True))
    judged = [life(f"judged {n}", curve(n), 0.0, cleaned=n % 3 == 2) for n in range(JUDGED)]
    return learned[:count], judged


_SPIKES = (0.01, 0.98, 0.01)


def _depth_then_cake(dust: Array, clean: float, rise: float, knee: float) -> Array:
    """Level over terminal; 1 at dust 1."""
    full = clean * np.exp(rise)
    cake = full + (1 - full) * (dust - knee) / (1 - knee)
    return np.where(dust < knee, clean * np.exp(rise * dust / knee), cake)


def _remembered(rng: np.random.Generator, n: int) -> Array:
    """Noise of deviation 1 of which 0.6 stays to the next row."""
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] = 0.6 * noise[i - 1] + 0.8 * noise[i]
    return noise


BENCHES: Mapping[str, Bench] = {
    "compressible cake": compressible_cake,
    "depth then cake": depth_then_cake,
    "few and cleaned": few_and_cleaned,
}
