"""
Medians and quantiles of few values: equal to numpy's to the last bit, without the cost of its general checks.

Beside them the upper envelope of a series. Leaves to others: other sliding windows (`changes`, `status`).
Values must not be NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from scipy.ndimage import percentile_filter

from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

#: median deviation of a normal distribution to its standard deviation (arithmetic: 1 / 0.6745)
MAD_TO_SPREAD = 1.4826
#: values: up to FEW a list, from MANY on a partition is faster than sorting an array (chosen by timing)
FEW, MANY = 24, 300
#: values a row: up to there exchanging whole columns is faster than sorting each row (chosen by timing)
NETWORK_MOST = 9
#: weighted values: from there on the few around each quantile are sorted alone (chosen by timing)
NARROW_FROM = 4_000
#: by these values the few are found (chosen: two and more standard errors either side)
SAMPLE, SAMPLE_NEAR = 1_000, 50


def middle(values: FloatArray) -> float:
    """Median of shape (n,), n >= 1; five times as fast as `np.median` where n is small."""
    half = len(values) // 2
    ordered = _in_order(values, half - 1, half)
    return float(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def row_middles(values: FloatArray) -> FloatArray:
    """Median of each row, shape (rows, n) to (rows,), n >= 1; twice as fast as `np.median`."""
    ordered, half = _rows_in_order(values), values.shape[1] // 2
    upper = ordered[half]
    return np.asarray(upper if values.shape[1] % 2 else (ordered[half - 1] + upper) / 2)


def row_quantiles(values: FloatArray, q: float) -> FloatArray:
    """A quantile of each row, shape (rows, n) to (rows,), n >= 1."""
    ordered, at = _rows_in_order(values), q * (values.shape[1] - 1)
    low = int(at)
    return np.asarray(between(ordered[low], ordered[min(low + 1, values.shape[1] - 1)], at - low))


def quantile(values: FloatArray, q: float) -> float:
    """`np.quantile` of few values; equal to it, and ten times as fast."""
    at = q * (len(values) - 1)
    low = int(at)
    high = min(low + 1, len(values) - 1)
    ordered = _in_order(values, low, high)
    return float(between(ordered[low], ordered[high], at - low))


def _in_order(values: FloatArray, low: int, high: int) -> FloatArray | list[float]:
    """The values with those at these two places where sorting puts them."""
    if len(values) <= FEW:
        return sorted(values.tolist())
    return np.sort(values) if len(values) < MANY else np.partition(values, (low, high))


def _rows_in_order(values: FloatArray) -> Sequence[FloatArray]:
    """Each row sorted, shape (rows, n): its n columns."""
    if values.shape[1] > NETWORK_MOST:
        return list(np.sort(values, axis=1).T)
    columns = list(values.T)
    for left, right in _exchanges(values.shape[1]):
        lower = np.minimum(columns[left], columns[right])
        columns[left], columns[right] = lower, np.maximum(columns[left], columns[right])
    return columns


@cache
def _exchanges(n: int) -> tuple[tuple[int, int], ...]:
    """
    Pairs of places that, exchanged in turn where they are out of order, sort any n values.

    Odd-even merging: Batcher, "Sorting networks and their applications" (1968), doi:10.1145/1468075.1468121.
    """
    pairs: list[tuple[int, int]] = []
    sorted_runs = 1
    while sorted_runs < n:
        apart = sorted_runs
        while apart:
            for first in range(apart % sorted_runs, n - apart, 2 * apart):
                for left in range(first, min(first + apart, n - apart)):
                    if left // (2 * sorted_runs) == (left + apart) // (2 * sorted_runs):
                        pairs.append((left, left + apart))
            apart //= 2
        sorted_runs *= 2
    return tuple(pairs)


def weighted_quantiles(values: FloatArray, weights: FloatArray, points: Sequence[float]) -> list[float]:
    """
    The least value at which a share of the weight is reached, for each of the shares. n >= 1.

    Of NARROW_FROM values and more the weights are summed in another order: where a share is reached within
    rounding at one value, it may be the next.
    """
    if len(values) >= NARROW_FROM:
        return _weighted_of_many(values, weights, points)
    order = np.argsort(values)  # equal values may come in any order: the result is the same
    total = np.cumsum(weights[order])
    reached = np.searchsorted(total, np.array(points) * total[-1])
    return list(values[order[reached]].tolist())


def _weighted_of_many(values: FloatArray, weights: FloatArray, points: Sequence[float]) -> list[float]:
    """`weighted_quantiles` by sorting those near each quantile of a sample alone."""
    sample = slice(None, None, len(values) // SAMPLE)
    order = np.argsort(values[sample])
    seen, total = values[sample][order], np.cumsum(weights[sample][order])
    whole, found = float(weights.sum()), list[float]()
    for q in points:
        at = int(np.searchsorted(total, q * total[-1]))
        low, high = seen[max(0, at - SAMPLE_NEAR)], seen[min(len(seen) - 1, at + SAMPLE_NEAR)]
        # No product of BLAS: of so many values its threads wait busily for longer than all else here takes.
        below = float(np.add.reduce(weights * (values < low)))
        near = np.flatnonzero((values >= low) & (values <= high))
        near = near[np.argsort(values[near])]
        reached = below + np.cumsum(weights[near])
        if not below < q * whole <= reached[-1]:  # the sample misses it: sort all
            near = np.argsort(values)
            reached = np.cumsum(weights[near])
        found.append(float(values[near[np.searchsorted(reached, min(q * whole, reached[-1]))]]))
    return found


def between(low: FloatArray | float, high: FloatArray | float, share: float) -> FloatArray | float:
    """Linear interpolation rounded as numpy's."""
    return low + (high - low) * share if share < 0.5 else high - (high - low) * (1.0 - share)


def counted_up_to(place: IntArray, n: int) -> IntArray:
    """How many of some places, 0 to n - 1, are at or before each of the n, shape (n,)."""
    return np.cumsum(np.bincount(place, minlength=n))


def upper_envelope(
    values: FloatArray, share: float, rows: int, begins: Sequence[int] | IntArray = ()
) -> FloatArray:
    """
    The quantile `share` of each row and those before it, `rows` in all, shape (n,); none after counts.

    begins : rows, rising, at which another level began: no row before counts from there on.
    """
    past = (rows - 1) // 2
    if len(begins):
        # Before each the first value as often as it counts at the beginning: then one filter does for all.
        first = np.repeat(begins, rows - 1)
        padded = np.insert(values, first, values[first])
        enveloped = upper_envelope(padded, share, rows)
        return np.delete(enveloped, first + np.arange(len(first)))
    return np.asarray(percentile_filter(values, 100 * share, size=rows, mode="nearest", origin=past))
