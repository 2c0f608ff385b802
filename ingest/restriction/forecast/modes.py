"""
Kinds among lives without a label, by how long they last: a mixture of lognormal lengths.

Strategy: each life says how likely each length is. The length of a whole life is known; a running or censored
one says it as far as its own curve does. Mixtures of one kind and more, with a common spread, are fitted by
expectation-maximisation (Dempster, Laird, Rubin 1977); the number of kinds is the one with the least Bayesian
information criterion (Schwarz 1978).
Promises: censored lives count; one kind where the lengths do not fall apart.
Leaves to others: how likely each length is (`prior`), what a kind teaches (`usual`, `pace`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.forecast.prior import USUAL_SPREAD
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

MOST_KINDS = 5  # chosen: a shop has hardly more trades; the information criterion takes fewer
PRIOR_LIVES = 1.0  # USUAL_SPREAD counts as that many lives (chosen: a spread of nothing must not come out)
ROUNDS = 40  # of expectation-maximisation (chosen: the same time for every set of lives)


@dataclass(frozen=True)
class LengthOdds:
    """How likely a life has each length, by itself: shape (n,) each."""

    ln_life: FloatArray  # ln [h]
    odds: FloatArray  # >= 0, with a positive sum


@dataclass(frozen=True)
class _Mixture:
    """Kinds of lengths, shape (kinds,), with a common spread; and how well they explain the lives."""

    middles: FloatArray  # ln [h], rising
    shares: FloatArray
    spread: float
    belongs: FloatArray  # probability of each kind for each life, shape (lives, kinds)
    means: FloatArray  # of ln(life) in each kind, shape (lives, kinds)
    criterion: float


def kinds_by_length(lives: Sequence[LengthOdds]) -> IntArray:
    """Number of the kind of each life, shape (n,), 0 = the shortest lives; n >= 1."""
    points = np.stack([life.ln_life for life in lives])
    odds = np.stack([life.odds / life.odds.sum() for life in lives])
    best = _fitted(points, odds, np.array([float((points * odds).sum() / len(lives))]))
    estimates = np.sort(best.means[:, 0])
    for kinds in range(2, min(MOST_KINDS, len(lives)) + 1):
        for start in _starts(estimates, kinds):
            found = _fitted(points, odds, start)
            if found.criterion < best.criterion:
                best = found
    return np.asarray(np.unique(best.belongs.argmax(axis=1), return_inverse=True)[1])


def _starts(estimates: FloatArray, kinds: int) -> list[FloatArray]:
    """Middles to start from: of blocks with as many lives each, and of blocks between the widest gaps."""
    even = np.array_split(estimates, kinds)
    gaps = np.sort(np.argsort(np.diff(estimates), kind="stable")[1 - kinds :]) + 1
    return [np.array([block.mean() for block in blocks]) for blocks in (even, np.split(estimates, gaps))]


def _fitted(points: FloatArray, odds: FloatArray, middles: FloatArray) -> _Mixture:
    """points, odds : of each life, shape (lives, points). middles : to start from."""
    lives, kinds = len(points), len(middles)
    shares, spread = np.full(kinds, 1.0 / kinds), USUAL_SPREAD if kinds == 1 else 0.5 * USUAL_SPREAD
    for _ in range(ROUNDS):
        away = (points[:, None, :] - middles[:, None]) / spread
        density = odds[:, None, :] * np.exp(-0.5 * away**2) / spread + 1e-300
        each = density.sum(axis=2)
        likely = each * shares
        total = likely.sum(axis=1, keepdims=True)
        belongs = likely / total
        means = (density * points[:, None, :]).sum(axis=2) / each
        squares = (density * points[:, None, :] ** 2).sum(axis=2) / each - means**2
        mass = np.maximum(belongs.sum(axis=0), 1e-9)
        middles = (belongs * means).sum(axis=0) / mass
        square = float((belongs * ((means - middles) ** 2 + squares)).sum())
        spread = float(np.sqrt((square + PRIOR_LIVES * USUAL_SPREAD**2) / (lives + PRIOR_LIVES)))
        shares = mass / lives
    cost = -float(np.log(total).sum()) + PRIOR_LIVES * (np.log(spread) + 0.5 * (USUAL_SPREAD / spread) ** 2)
    return _Mixture(middles, shares, spread, belongs, means, 2.0 * cost + 2.0 * kinds * np.log(lives))
