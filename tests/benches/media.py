"""
Made benches by what happens in the media: deposit in a fibre mat, pleats that close, washed elements.

The forecast's intervals were looked into on these (seeds below 100; figures are of seeds from 1000 on).
They were written without a look into `laws.py`, which stays kept out.

- Deposit packs a fibre mat: dp ~ a^1.5 (1 + 56 a^3) at constant flow, a = share of its volume that is solid:
  C. N. Davies, "The Separation of Airborne Dust and Particles", Proc. Inst. Mech. Eng. B 1 (1952) (constants
  from memory).
- Cake closes the gap of a pleat: the resistance of a plane gap goes with 1/width^3 (Poiseuille flow; any
  handbook of fluid mechanics), beside a cake on open media that grows in proportion to the dust.
- Washing leaves a share of the deposit: the next life begins higher and lasts shorter (common practice
  without source).
Lengths, spreads and noise are chosen, and were fixed before the first score.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tests.benches.form import Array, Bench, MadeLife, until_the_limit

JUDGED = 20
TERMINAL = 5.0  # kPa
YARDS = 4  # of which one is never learned from
DELIVERY = 5  # lives


def fibre_mat(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Deposit in a fibre mat, nearly straight: unlabelled lives of lengths that spread by 0.35, days of unequal
    dust, noise of 0.5 to 2 % of terminal, three of ten changed early.
    """

    def one(number: int, early: float) -> MadeLife:
        length_h, fibre = 500.0 * np.exp(rng.normal(0, 0.35)), rng.uniform(0.045, 0.065)
        dust = _dust_of_days(rng, 240, uneven=0.5)
        packed = fibre + dust * _solid_at(rng.uniform(4.0, 6.0), fibre)
        level = _mat(packed)
        at_end = np.interp(1.0, dust, level)
        noise = rng.uniform(0.005, 0.02) * rng.normal(size=len(level))
        seen = rng.uniform(0.4, 0.95) if rng.uniform() < early else 1.0
        hours, shown = np.linspace(0.0, 1.2, len(level)) * length_h, level / at_end + noise
        return until_the_limit(
            f"life {number}", hours, TERMINAL * shown, TERMINAL * level / at_end, TERMINAL, seen=seen
        )

    return [one(n, 0.3) for n in range(count)], [one(1000 + n, 0.0) for n in range(JUDGED)]


def closing_pleats(
    rng: np.random.Generator, count: int, *, alike: float = 0.04
) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Deliveries of five elements to yards (labels), each with its dust and its share that goes into the pleats.

    Learned from: a delivery to each of up to three yards, then more. Judged: other deliveries to these and to
    a yard of which nothing was learned.

    alike : spread of ln(length) within a delivery.
    """
    usual_h = 400.0 * np.exp(rng.uniform(-0.5, 0.5, YARDS))
    of_yard = rng.uniform(0.15, 0.75, YARDS)  # of the rise that comes from the pleats

    def delivery(number: int, yard: int, size: int) -> list[MadeLife]:
        typical_h = usual_h[yard] * np.exp(rng.normal(0, 0.15))
        pleats = float(np.clip(of_yard[yard] + rng.normal(0, 0.08), 0.05, 0.9))
        clean = rng.uniform(0.15, 0.3)
        made = []
        for element in range(size):
            length_h = typical_h * np.exp(rng.normal(0, alike))
            dust = _dust_of_days(rng, 200, uneven=0.3)
            level = clean + (1.0 - clean) * _closing(dust, pleats)
            name = f"delivery {number} {element}"
            hours = np.linspace(0.0, 1.2, len(level)) * length_h
            shown = level + 0.008 * rng.normal(size=len(level))
            group = f"yard {yard}"
            made.append(
                until_the_limit(name, hours, TERMINAL * shown, TERMINAL * level, TERMINAL, group=group)
            )
        return made

    learned = [life for n in range(-(-count // DELIVERY)) for life in delivery(n, n % (YARDS - 1), DELIVERY)]
    return learned[:count], [delivery(100 + n, n % YARDS, 1)[0] for n in range(JUDGED)]


def washed(rng: np.random.Generator, count: int) -> tuple[list[MadeLife], list[MadeLife]]:
    """
    Each element is washed up to three times, unlabelled: its first level rises and its life gets shorter. A
    cake on depth; one of five changed early; few rows (70).
    """

    def element(number: int, early: float) -> list[MadeLife]:
        length_h, clean = 700.0 * np.exp(rng.normal(0, 0.3)), rng.uniform(0.15, 0.22)
        depth, bend = rng.uniform(0.3, 0.6), rng.uniform(3.0, 6.0)
        made = []
        for wash in range(int(rng.integers(1, 5))):
            left = wash * rng.uniform(0.05, 0.12)  # of the dust that it holds
            dust = left + (1.0 - left) * _dust_of_days(rng, 70, uneven=0.4)
            level = clean + (1.0 - clean) * (depth * dust + (1.0 - depth) * dust**bend)
            hours = np.linspace(0.0, 1.2, 70) * length_h * (1.0 - left) * np.exp(rng.normal(0, 0.1))
            shown = level + 0.01 * rng.normal(size=70)
            seen = rng.uniform(0.4, 0.95) if rng.uniform() < early else 1.0
            name = f"element {number} {wash}"
            made.append(until_the_limit(name, hours, TERMINAL * shown, TERMINAL * level, TERMINAL, seen=seen))
        return made

    learned = [life for n in range(count) for life in element(n, 0.2)][:count]
    each = [element(1000 + n, 0.0) for n in range(JUDGED)]
    return learned, [lives[int(rng.integers(len(lives)))] for lives in each]


def _dust_of_days(rng: np.random.Generator, rows: int, *, uneven: float) -> Array:
    """Dust up to each row over that at the end of the life, which is at 1/1.2 of the rows; rises from 0."""
    rate = np.exp(uneven * np.repeat(rng.normal(size=-(-rows // 10)), 10)[: rows - 1])
    dust = np.concatenate(([0.0], np.cumsum(rate)))
    return np.asarray(dust / np.interp((rows - 1) / 1.2, np.arange(rows), dust))


def _mat(solid: Array) -> Array:
    return np.asarray(solid**1.5 * (1.0 + 56.0 * solid**3))


def _solid_at(times: float, fibre: float) -> float:
    """The deposit that brings a clean mat to so many times its resistance."""
    solid = np.linspace(fibre, 0.6, 2000)
    return float(np.interp(times, _mat(solid) / _mat(np.array([fibre])), solid) - fibre)


def _closing(dust: Array, pleats: float) -> Array:
    """Rise at a share of the dust, 1 at 1; 0.6 of the gap is closed then."""
    narrowing = 1.0 / (1.0 - np.minimum(0.6 * dust, 0.9)) ** 3 - 1.0
    return np.asarray((1.0 - pleats) * dust + pleats * narrowing / (1.0 / 0.4**3 - 1.0))


BENCHES: Mapping[str, Bench] = {
    "fibre mat": fibre_mat,
    "closing pleats": closing_pleats,
    "washed": washed,
}
