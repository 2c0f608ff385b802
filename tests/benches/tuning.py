"""
Made benches on which the forecast was tuned. Nothing of `tests/benches/scored.py` was looked at for that.

Each is one difficulty: noise that differs from life to life, batches of near twins, kinds without labels
among censored lives, lengths that hardly differ, dust that comes and goes, sites of which
nothing was learned.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from tests.benches.form import Array, Bench, MadeLife, ended

JUDGED = 16
TERMINAL = 6.2  # kPa


def _cake(x: Array, bend: float) -> Array:
    """Cake and depth together: a straight part and one that rises with the power of the dust."""
    return np.asarray(0.35 * x + 0.65 * x**bend)


def _hours(rng: np.random.Generator, length_h: float, rows: int) -> Array:
    """Rows unevenly apart, a tenth beyond the length."""
    return np.sort(rng.uniform(0.0, 1.1 * length_h, rows))


def unequal_noise(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """Sensor noise from 0.4 to 5 % of terminal, another on each machine; lengths spread by 0.3."""

    def one(number: int) -> MadeLife:
        hours, level, _, noise = noisy_rows(rng)
        return ended(f"life {number}", hours, TERMINAL * (level + noise * rng.normal(size=220)), TERMINAL)

    lives = [one(number) for number in range(count + JUDGED)]
    return lives[:count], lives[count:]


def noisy_rows(rng: np.random.Generator) -> tuple[Array, Array, float, float]:
    """Hours, level without noise, length and noise of a life of `unequal_noise`. [h], [share of terminal]"""
    length_h = 450.0 * np.exp(rng.normal(0, 0.3))
    hours = _hours(rng, length_h, 220)
    level = rng.uniform(0.2, 0.3) + 0.75 * _cake(hours / length_h, rng.uniform(2.5, 4.0))
    return hours, level, float(length_h), float(np.exp(rng.uniform(np.log(0.004), np.log(0.05))))


def twin_batches(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """Lives of one label in batches of five near twins; judged are lives of batches not seen."""

    def batch(number: int, size: int) -> list[MadeLife]:
        usual_h, bend = 300.0 * np.exp(rng.normal(0, 0.35)), rng.uniform(2.0, 5.0)
        clean = rng.uniform(0.15, 0.3)
        made = []
        for twin in range(size):
            length_h = usual_h * np.exp(rng.normal(0, 0.015))
            hours = _hours(rng, length_h, 160)
            rise = np.expm1(bend * hours / length_h) / np.expm1(bend)
            level = clean + (1.0 - clean) * rise + 0.006 * rng.normal(size=160)
            made.append(ended(f"batch {number} {twin}", hours, TERMINAL * level, TERMINAL, group="one"))
        return made

    learned = [life for number in range((count + 4) // 5) for life in batch(number, 5)][:count]
    return learned, [batch(100 + number, 1)[0] for number in range(JUDGED)]


def censored_kinds(
    rng: np.random.Generator, count: int, *, labelled: bool = False
) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Two kinds of 220 and 750 h without a label; six lives of ten are changed before the limit.

    labelled : the same lives with a label each.
    """

    def one(number: int, censored: float) -> MadeLife:
        usual_h = 220.0 if rng.uniform() < 0.5 else 750.0
        length_h, kind = usual_h * np.exp(rng.normal(0, 0.12)), f"{usual_h:.0f} h" if labelled else ""
        hours = _hours(rng, length_h, 180)
        level = 0.25 + 0.75 * (hours / length_h) ** rng.uniform(1.6, 3.2) + 0.012 * rng.normal(size=180)
        seen = rng.uniform(0.3, 0.9) if rng.uniform() < censored else 1.0
        return ended(f"life {number}", hours, TERMINAL * level, TERMINAL, group=kind, seen=seen)

    return [one(n, 0.6) for n in range(count)], [one(1000 + n, 0.0) for n in range(JUDGED)]


def alike(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """A test stand: lengths spread by 0.05, a flat beginning and a late knee."""

    def one(number: int) -> MadeLife:
        length_h = 80.0 * np.exp(rng.normal(0, 0.05))
        hours = _hours(rng, length_h, 260)
        x = hours / length_h
        level = 0.22 + 0.2 * x + 0.58 * x ** rng.uniform(5.5, 6.5) + 0.008 * rng.normal(size=260)
        return ended(f"life {number}", hours, TERMINAL * level, TERMINAL)

    lives = [one(number) for number in range(count + JUDGED)]
    return lives[:count], lives[count:]


def passing_dust(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """Dust of a day differs tenfold; three labelled sites of unlike mean; a quarter changed early."""

    def one(number: int, censored: float) -> MadeLife:
        site = number % 3
        rate = np.exp(rng.normal(0, 0.8, 400)) * (0.7, 1.0, 1.6)[site]
        dust = np.concatenate(([0.0], np.cumsum(rate))) / 300.0
        hours = np.arange(401.0) * 2.5
        level = 0.2 + 0.8 * _cake(dust, 3.0) + 0.01 * rng.normal(size=401)
        seen = rng.uniform(0.4, 0.9) if rng.uniform() < censored else 1.0
        return ended(f"life {number}", hours, TERMINAL * level, TERMINAL, group=f"site {site}", seen=seen)

    return [one(n, 0.25) for n in range(count)], [one(3000 + n, 0.0) for n in range(JUDGED)]


def exponential_sites(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Exponential cake growth. Sites load at 0.3 to 3 times the usual rate; batches of five are of one site.

    Learned from: one batch of each of up to three sites, then more of them. Judged: lives of other batches of
    these three sites and of one that nothing was learned from.
    """
    return _of_sites(rng, count, _exponential, rates=(0.3, 3.0), bends=(1.5, 5.0), alike=0.75)


def bending_sites(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """The same with a straight part and a power of the dust, another one at each site."""
    return _of_sites(rng, count, _cake, rates=(0.3, 3.0), bends=(2.0, 7.0), alike=0.75)


def near_sites(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """Sites that load at 0.6 to 1.7 times the usual rate, each with a bend of its own."""
    return _of_sites(rng, count, _exponential, rates=(0.6, 1.7), bends=(1.0, 6.0), alike=0.0)


def _exponential(x: Array, bend: float) -> Array:
    return np.asarray(np.expm1(bend * x) / np.expm1(bend))


def _of_sites(
    rng: np.random.Generator,
    count: int,
    law: Callable[[Array, float], Array],
    *,
    rates: tuple[float, float],
    bends: tuple[float, float],
    alike: float,
) -> tuple[list[MadeLife], list[MadeLife]]:
    """alike : 1 = sites have one bend in common, 0 = each has its own."""
    of_site_h = 300.0 / np.exp(rng.uniform(np.log(rates[0]), np.log(rates[1]), 4))
    of_site = alike * rng.uniform(*bends) + (1.0 - alike) * rng.uniform(*bends, 4)

    def batch(number: int, site: int, size: int) -> list[MadeLife]:
        usual_h = of_site_h[site] * np.exp(rng.normal(0, 0.12))
        clean, bend = rng.uniform(0.18, 0.28), of_site[site] + rng.normal(0, 0.2)
        made = []
        for twin in range(size):
            length_h = usual_h * np.exp(rng.normal(0, 0.03))
            hours = _hours(rng, length_h, 160)
            level = clean + (1.0 - clean) * law(hours / length_h, bend) + 0.008 * rng.normal(size=160)
            name = f"batch {number} {twin}"
            made.append(ended(name, hours, TERMINAL * level, TERMINAL, group=f"site {site}"))
        return made

    learned = [life for number in range((count + 4) // 5) for life in batch(number, number % 3, 5)][:count]
    return learned, [batch(100 + number, number % 4, 1)[0] for number in range(JUDGED)]


BENCHES: Mapping[str, Bench] = {
    "unequal noise": unequal_noise,
    "twin batches": twin_batches,
    "censored kinds": censored_kinds,
    "alike": alike,
    "passing dust": passing_dust,
    "exponential sites": exponential_sites,
    "bending sites": bending_sites,
    "near sites": near_sites,
}
