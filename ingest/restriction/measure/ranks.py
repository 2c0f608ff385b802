"""
Medians and quantiles of few values: equal to numpy's to the last bit, without the cost of its general checks.

Beside them the upper envelope of a series. Leaves to others: other sliding windows (`changes`, `status`).
Values must not be NaN.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import percentile_filter

from cleanside.ingest.restriction.measure.summary import FloatArray


def middle(values: FloatArray) -> float:
    """Median of shape (n,), n >= 1; five times as fast as `np.median` where n is small."""
    ordered, half = np.sort(values), len(values) // 2
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def row_middles(values: FloatArray) -> FloatArray:
    """Median of each row, shape (rows, n) to (rows,), n >= 1; twice as fast as `np.median`."""
    ordered, half = np.sort(values, axis=1), values.shape[1] // 2
    upper = ordered[:, half]
    return np.asarray(upper if values.shape[1] % 2 else (ordered[:, half - 1] + upper) / 2)


def row_quantiles(values: FloatArray, q: float) -> FloatArray:
    """A quantile of each row, shape (rows, n) to (rows,), n >= 1."""
    ordered, at = np.sort(values, axis=1), q * (values.shape[1] - 1)
    low = int(at)
    return np.asarray(between(ordered[:, low], ordered[:, min(low + 1, values.shape[1] - 1)], at - low))


def quantile(values: FloatArray, q: float) -> float:
    """`np.quantile` of few values; equal to it, and ten times as fast."""
    ordered, at = np.sort(values), q * (len(values) - 1)
    low = int(at)
    return float(between(ordered[low], ordered[min(low + 1, len(values) - 1)], at - low))


def weighted_quantiles(values: FloatArray, weights: FloatArray, points: Sequence[float]) -> list[float]:
    """The least value at which a share of the weight is reached, for each of the shares. n >= 1."""
    order = np.argsort(values)  # equal values may come in any order: the result is the same
    total = np.cumsum(weights[order])
    return [float(values[order[np.searchsorted(total, q * total[-1])]]) for q in points]


def between(low: FloatArray | float, high: FloatArray | float, share: float) -> FloatArray | float:
    """Linear interpolation rounded as numpy's."""
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1.0 - share)


def upper_envelope(values: FloatArray, share: float, rows: int) -> FloatArray:
    """The quantile `share` of each row and those before it, `rows` in all, shape (n,); none after counts."""
    past = (rows - 1) // 2
    return np.asarray(percentile_filter(values, 100 * share, size=rows, mode="nearest", origin=past))
