"""
What a cleaning of an element gave back: the share of the rise above clean that it took off.

Levels are those at the cleaning: lines through the hours around it, carried to it. A median of these hours
would lie below before it, and above after it, because the element loads meanwhile.
Errors that all levels of a machine share, as of its full flow, cancel. What is left is how well each of the
three levels is known: before, after, and of the element when it was new.
Promises: pure. Where the rise before the cleaning is not clearly more than its error there is no share.
Sources: of the interval of the ratio of two normal values that share an error E. C. Fieller, Some problems in
interval estimation, Journal of the Royal Statistical Society B 16 (1954); of the line P. K. Sen, Estimates of
the regression coefficient based on Kendall's tau, Journal of the American Statistical Association 63 (1968).
Leaves to others: when an element was cleaned (`lives`), and whether it may be: its maker's manual says that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.summary import FloatArray

INTERVAL_Z = 1.2816  # one in ten lies below, one in ten above (arithmetic: normal distribution)
LINE_ROWS = 24  # hours that a line goes through (chosen: three shifts)
LEAST_LINE_ROWS = 8  # with fewer the level is their median (chosen: a shift)
#: standard error of a line's end over that of a shift's level (arithmetic: three shifts, half a one beyond)
LINE_LOSS = 1.2
HALF_ROW_H = 0.5  # operating hours from the middle of a row, where its level is, to its end (arithmetic)


@dataclass(frozen=True, kw_only=True)
class LevelSeen:
    """A level with its standard error. [Pa]"""

    pa: float
    error_pa: float


@dataclass(frozen=True, kw_only=True)
class GaveBack:
    """What a cleaning took off of the rise above clean. 0: nothing, 1: all of it; scatter can exceed both."""

    share: float
    low: float  # one in ten gave back less
    high: float
    clean_pa: float  # of the element when it was new


@dataclass(frozen=True, kw_only=True)
class Cleaned:
    """The levels either side of a cleaning, and what it gave back. [Pa] None: not known."""

    before_pa: float | None
    after_pa: float | None
    gave_back: GaveBack | None  # None: a level is not known, or the rise before was too small to say


def level_at_end(hours: FloatArray, level_pa: FloatArray) -> float | None:
    """
    The level to which the newest hours lead; None: there is none. [Pa]

    hours : operating hours at the end of each row, not falling, shape (n,). level_pa : same shape, > 0.
    """
    hours, level_pa = hours[-LINE_ROWS:], level_pa[-LINE_ROWS:]
    return _on_line(hours, level_pa, float(hours[-1]) + HALF_ROW_H) if len(hours) else None


def level_at_start(hours: FloatArray, level_pa: FloatArray) -> float | None:
    """The level from which the first hours come; None: there is none. As `level_at_end`. [Pa]"""
    hours, level_pa = hours[:LINE_ROWS], level_pa[:LINE_ROWS]
    return _on_line(hours, level_pa, HALF_ROW_H) if len(hours) else None


def _on_line(hours: FloatArray, level_pa: FloatArray, at_h: float) -> float:
    """A line by the median of the slopes between all pairs, through the middle of the rows."""
    if len(hours) < LEAST_LINE_ROWS:
        return middle(level_pa)
    first, second = np.triu_indices(len(hours), 1)
    apart_h = hours[second] - hours[first]
    pairs = apart_h > 0
    slopes = (level_pa[second] - level_pa[first])[pairs] / apart_h[pairs]
    slope = max(middle(slopes), 0.0) if len(slopes) else 0.0  # elements load: a fall is moisture that goes
    return middle(level_pa + slope * (at_h - hours))


def gave_back(before: LevelSeen, after: LevelSeen, clean: LevelSeen) -> GaveBack | None:
    """
    The share of the rise above clean that came off; None: the rise is not clearly more than its error.

    Errors of the three levels are independent. Of the ratio of fall to rise both have the error of `before`.
    """
    fall, rise = before.pa - after.pa, before.pa - clean.pa
    of_fall = before.error_pa**2 + after.error_pa**2
    of_rise, shared = before.error_pa**2 + clean.error_pa**2, before.error_pa**2
    z2 = INTERVAL_Z**2
    square = rise**2 - z2 * of_rise
    if rise <= 0 or square <= 0:
        return None
    half = fall * rise - z2 * shared
    wide = math.sqrt(max(half**2 - square * (fall**2 - z2 * of_fall), 0.0))
    return GaveBack(
        share=fall / rise, low=(half - wide) / square, high=(half + wide) / square, clean_pa=clean.pa
    )
