"""Intervals of scores: exact for shares of single events, by drawing machines again for the rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
from scipy.stats import binomtest

T = TypeVar("T")
LEVEL = 0.95
ROUNDS = 600  # of the bootstrap; chosen: the ends of a 95 % interval then move in the third digit


def clopper_pearson(hits: int, of: int) -> tuple[float, float]:
    """The exact interval of a share (Clopper and Pearson, Biometrika 26, 1934). (0, 1) without events."""
    if of == 0:
        return 0.0, 1.0
    found = binomtest(hits, of).proportion_ci(LEVEL, method="exact")
    return float(found.low), float(found.high)


def lower_bound(hits: int, of: int) -> float:
    """The exact lower bound of a share, one-sided at `LEVEL` (Clopper and Pearson). 0 without events."""
    if of == 0:
        return 0.0
    return float(binomtest(hits, of, alternative="greater").proportion_ci(LEVEL, method="exact").low)


def over_machines(
    scores: Sequence[T], figure: Callable[[Sequence[T]], float], *, seed: int = 1
) -> tuple[float, float]:
    """
    The interval of a figure by drawing machines again, with replacement (Efron 1979).

    NaN: no figure, or a single machine.
    """
    if len(scores) < 2:
        return float("nan"), float("nan")
    chance = np.random.default_rng(seed)
    drawn = [
        figure([scores[i] for i in chance.integers(len(scores), size=len(scores))]) for _ in range(ROUNDS)
    ]
    known = [value for value in drawn if not np.isnan(value)]
    if not known:
        return float("nan"), float("nan")
    low, high = np.quantile(known, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], method="nearest")
    return float(low), float(high)
