"""
Hours left with no life to learn from: a family of convex curves, weighed by what this life shows.

Promises: finite, wide, scale-free, and straight growth is inside the family. Leaves learning to `pace`.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from .paths import LONG_WINDOW, NUDGE, Path
from .summary import FloatArray

# x(t) = (e^(k t/L) - 1)/(e^k - 1): k near 0 is straight, 7 stays below 5 % of the span for half the life.
CURVATURES = np.array([0.2, 0.7, 1.3, 2.0, 2.7, 3.4, 4.2, 5.0, 6.0, 7.0])
SHAPE_SPREAD = 0.35  # of ln(hours left): no life follows its curve exactly (chosen wide)
SLOPE_SPREAD = 0.5  # of ln(slope): how far the slope may say which curve it is (chosen)
LEAST_SHARE = 0.02  # of the span from clean to terminal; below it a level cannot be told from noise
CLEAN_WINDOW = 0.05  # share of the age so far from which the clean level is read
USUAL_CLEAN = 0.3  # of terminal, for an element in use when first seen (common practice: 0.2 to 0.5)
USUAL_SPREAD = 0.5  # of ln(life): usual lives are 250 to 1 000 h (common practice)
USED_ERROR = 0.05  # of a life: how far the way from first level to this one is known (chosen)
QUANTILES = (0.1, 0.5, 0.9)
Z90 = 1.2815515655446004  # 90 % point of the standard normal distribution


def prior_hours_left(
    path: Path,
    share: FloatArray,
    last: int | None = None,
    *,
    from_new: bool = True,
    usual_life_h: float | None = None,
) -> FloatArray:
    """
    10, 50 and 90 % points of the hours left, by age, level and slope alone.

    path : of the life, n rows. share : restriction over terminal, shape (n,).
    last : at so many of the last rows; None = at each row.
    from_new : False = in use before the first row: its first level is then no clean one.
    usual_life_h : what such elements last; speaks until the life itself does. None = nothing is known. [h]
    Returns shape (last or n, 3), >= 0. [h]
    """
    begin = 0 if last is None else max(0, len(share) - last)
    clean = np.clip(_clean_so_far(path, share), 0.0, 0.9 if from_new else USUAL_CLEAN)[begin:]
    path_level, slope_long = path.level[begin:], path.slope_long[begin:]
    progress = (path_level - clean) / (1.0 - clean)
    seen = np.clip(progress, LEAST_SHARE, 0.999)[:, None]
    age = path.hours[begin:, None]
    offset = 1.0 / np.expm1(CURVATURES)[None, :]
    grown = np.log((seen + offset) / offset)  # = k * age / life
    left = age * np.log((1.0 + offset) / (seen + offset)) / grown
    # The line through the last 40 % of the age is close to the chord of the curve over it.
    earlier = offset * np.expm1((1.0 - LONG_WINDOW) * grown)
    slope = (seen - earlier) / np.maximum(LONG_WINDOW * age, np.finfo(np.float64).tiny)
    shown = np.maximum(slope_long[:, None] / (1.0 - clean[:, None]), 0.05 * slope)
    misfit = np.log(shown / slope) / SLOPE_SPREAD
    # Before the level stands clear of the clean one, its slope says nothing.
    trust = np.clip((progress[:, None] - LEAST_SHARE) / (3 * LEAST_SHARE), 0.0, 1.0)
    weight = np.exp(-0.5 * trust * np.minimum(misfit**2, 9.0))
    spread = np.full_like(left, SHAPE_SPREAD)
    logs = np.log(np.maximum(left, np.finfo(np.float64).tiny))
    if usual_life_h is not None:
        used = grown / CURVATURES
        first = 0.0
        if not from_new:
            seen_first = np.clip((share[0] - clean) / (1.0 - clean), LEAST_SHARE, 0.999)[:, None]
            first = np.minimum(np.log((seen_first + offset) / offset) / CURVATURES, used)
        seen_h = np.maximum(path.hours[begin:] - path.unseen_h, np.finfo(np.float64).tiny)[:, None]
        logs, spread = _with_usual(used, used - first, seen_h, usual_life_h)
    points = np.exp(mixture_quantiles(logs, spread, spread, weight))
    return np.where(path_level[:, None] >= 1.0, np.minimum(points, 0.02 * age), points)


def _with_usual(
    used: FloatArray, grown: FloatArray, seen_h: FloatArray, usual_life_h: float
) -> tuple[FloatArray, FloatArray]:
    """
    ln(hours left) and its spread on each curve, of what the life shows and what is usual, by their precision.

    used, grown : share of the life used so far and in the hours seen, shape (n, curves). seen_h : (n, 1).
    """
    rest = np.log(np.maximum(1.0 - used, 1e-3))
    shown_spread = np.hypot(SHAPE_SPREAD, USED_ERROR / np.maximum(grown, 1e-3))
    precision, usual = shown_spread**-2.0, USUAL_SPREAD**-2.0
    life = np.log(seen_h / np.maximum(grown, 1e-3))
    logs = (precision * life + usual * np.log(usual_life_h)) / (precision + usual) + rest
    return logs, 1.0 / np.sqrt(precision + usual)


def mixture_quantiles(
    middle: FloatArray, below: FloatArray, above: FloatArray, weight: FloatArray
) -> FloatArray:
    """
    10, 50 and 90 % points of mixtures of two-piece normal distributions.

    middle, below, above, weight : shape (n, m): median, spread below and above it (standard deviations,
        > 0), weight >= 0 with a positive sum in each row.
    Returns shape (n, 3), by bisection to 1e-9 of the bracket.
    """
    share = (weight / weight.sum(axis=1, keepdims=True))[:, None, :]
    middle, below, above = middle[:, None, :], below[:, None, :], above[:, None, :]
    wanted = np.array(QUANTILES)
    low = np.repeat((middle - 4.0 * below).min(axis=2), len(QUANTILES), axis=1)
    high = np.repeat((middle + 4.0 * above).max(axis=2), len(QUANTILES), axis=1)
    for _ in range(32):
        at = 0.5 * (low + high)
        away = at[:, :, None] - middle
        reached = (share * ndtr(away / np.where(away < 0, below, above))).sum(axis=2) >= wanted
        high, low = np.where(reached, at, high), np.where(reached, low, at)
    return np.asarray(0.5 * (low + high))


def _clean_so_far(path: Path, share: FloatArray) -> FloatArray:
    """Mean share over the first CLEAN_WINDOW of the age at each row (at least one row)."""
    total = np.cumsum(share)
    last = np.maximum(
        np.searchsorted(path.hours, path.hours * CLEAN_WINDOW * (1.0 + NUDGE), side="right") - 1, 0
    )
    return np.asarray(total[last] / (last + 1))
