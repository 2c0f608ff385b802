"""
What one life shows at each row, from that row and those before it only: level, slopes, pace.

Promises: causal (row i never sees row i + 1) and scale-free (windows are shares of the age, never hours).
Leaves to others: what a level or a slope says about the time left (`pace`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

Rows = slice | IntArray  # of a path

LEVEL_WINDOW = 0.05  # share of the age; chosen by leave-life-out on the open bench among 0.05 to 0.4
SHORT_WINDOW, LONG_WINDOW = 0.1, 0.4  # of the age, for slopes (open bench, lives left out)
#: relative (chosen: evenly spaced rows lie on window edges, and rounding must not decide for them)
NUDGE = 1e-9
CLEAN_PULL_ROWS = 5  # the common clean level counts as that many rows (chosen: as LEAST_ROWS)
LEAST_ROWS = 5  # in a window (chosen: with fewer, sensor noise rules the slope)
MOST_CLEAN = 0.9  # of terminal: a life begins no higher (chosen: something is left to load),
MOST_OWN_CLEAN = 0.95  # also where its own first rows say so (chosen: a stretch stays finite)
BEND_SQUARES = 6.0  # arithmetic: 1 + 4 + 1, the variance of a second difference
LEAST_SPAN_H = 1e-200  # a life shorter than that in any unit has no slope (chosen: near the least number)


@dataclass(frozen=True)
class Path:
    """One life, row by row; arrays of shape (n,). Shares are restriction over terminal. [1]"""

    hours: FloatArray  # age [h]
    level: FloatArray  # smoothed share
    peak: FloatArray  # highest level so far
    slope_short: FloatArray  # [1/h]
    slope_long: FloatArray  # [1/h]
    line_long: FloatArray  # end of the straight line through the long window
    scatter: FloatArray  # of single readings around the level, so far, standard deviation
    unseen_h: float = 0.0  # part of the age that lies before the first row, estimated [h]


def trace(hours: FloatArray, share: FloatArray, unseen_h: float = 0.0) -> Path:
    """
    Smooth a life causally.

    hours : age, shape (n,), n >= 1, not falling. share : restriction over terminal, shape (n,).
    unseen_h : operating hours of the element before the first row; `hours` include them.
    """
    sums = _Sums(hours, share)
    slope_short, (slope_long, line_long) = sums.line(SHORT_WINDOW)[0], sums.line(LONG_WINDOW)
    level = sums.mean(LEVEL_WINDOW)
    peak, scatter = np.maximum.accumulate(level), scatter_so_far(share)
    return Path(hours, level, peak, slope_short, slope_long, line_long, scatter, unseen_h)


def over_limit(path: Path, factor: float) -> Path:
    """The same life as shares of a limit so many times as high, to rounding as traced again."""
    return Path(
        path.hours,
        path.level / factor,
        path.peak / factor,
        path.slope_short / factor,
        path.slope_long / factor,
        path.line_long / factor,
        path.scatter / factor,
        path.unseen_h,
    )


def scatter_so_far(share: FloatArray) -> FloatArray:
    """
    Standard deviation of single readings up to each row, shape (n,). [share]

    By second differences, which a steady rise leaves at zero; 0 before any was seen.
    """
    squares = np.concatenate((np.zeros(min(len(share), 2)), np.diff(share, n=2) ** 2 / BEND_SQUARES))
    seen = np.maximum(np.arange(len(share)) - 1.0, 1.0)
    return np.asarray(np.sqrt(np.cumsum(squares) / seen))


def terminal_row(hours: FloatArray, peak: FloatArray) -> int:
    """
    The row at which a level counts as at terminal, or the last.

    A level smoothed over the last part of the age is that of the middle of this part.
    """
    reached = int(np.searchsorted(peak, 1.0))
    if reached >= len(hours):
        return len(hours) - 1
    return int(np.searchsorted(hours, hours[reached] * (1.0 - LEVEL_WINDOW / 2) * (1.0 - NUDGE)))


@dataclass(frozen=True)
class CleanScale:
    """Brings lives whose elements began at other clean levels to one scale from clean to terminal."""

    common: float  # clean share of the lives learned from
    from_h: float  # the clean level of a life is read between these ages
    to_h: float

    def apply(self, path: Path, share: FloatArray) -> Path:
        """The path with its own clean level moved to the common one; terminal stays 1. Causal."""
        total = np.concatenate(([0.0], np.cumsum(share)))
        first = int(np.searchsorted(path.hours, self.from_h * (1.0 - NUDGE)))
        last = np.searchsorted(path.hours, np.minimum(path.hours, self.to_h) * (1.0 + NUDGE), side="right")
        count = np.maximum(last - first, 0)
        seen = total[np.maximum(last, first)] - total[first]
        own = (seen + CLEAN_PULL_ROWS * self.common) / (count + CLEAN_PULL_ROWS)
        own = np.clip(own, 0.0, MOST_OWN_CLEAN)
        stretch = (1.0 - self.common) / (1.0 - own)
        level = 1.0 - (1.0 - path.level) * stretch
        return Path(
            path.hours,
            level,
            np.maximum.accumulate(level),
            path.slope_short * stretch,
            path.slope_long * stretch,
            1.0 - (1.0 - path.line_long) * stretch,
            path.scatter,
            path.unseen_h,
        )


class _Sums:
    """
    Running sums of one life, by which windows of its age cost O(n) for all rows together.

    The time is centred and scaled first so that no digits are lost.
    """

    def __init__(self, hours: FloatArray, share: FloatArray) -> None:
        self._hours, self._after = hours, np.arange(1, len(hours) + 1)
        span = float(hours[-1] - hours[0])
        self._span = span if span > LEAST_SPAN_H else 1.0
        self._x = (hours - hours[0]) / self._span
        self._share, self._of_share = share, _summed(share)

    def mean(self, window: float) -> FloatArray:
        """Mean share over the last `window` of the age."""
        return self._mean(self._of_share, *self._begun(window))

    def line(self, window: float) -> tuple[FloatArray, FloatArray]:
        """Least-squares line over the last `window` of the age: its slope, and its end."""
        begun = self._begun(window)
        of_x, of_square, of_product = self._of_line
        mean_x, mean_y = self._mean(of_x, *begun), self._mean(self._of_share, *begun)
        spread = self._mean(of_square, *begun) - mean_x**2
        usable = spread > 1e-12
        both = self._mean(of_product, *begun) - mean_x * mean_y
        slope = np.where(usable, both / np.where(usable, spread, 1.0), 0.0)
        return slope / self._span, mean_y + slope * (self._x - mean_x)

    @cached_property
    def _of_line(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return _summed(self._x), _summed(self._x * self._x), _summed(self._x * self._share)

    def _begun(self, window: float) -> tuple[IntArray, FloatArray]:
        """First row of the window of each row, and how many rows it has."""
        begins = self._hours * (1.0 - window) * (1.0 + NUDGE)
        first = np.minimum(np.searchsorted(self._hours, begins), np.maximum(self._after - LEAST_ROWS, 0))
        return first, (self._after - first).astype(np.float64)

    def _mean(self, total: FloatArray, first: IntArray, count: FloatArray) -> FloatArray:
        return np.asarray((total[1:] - total[first]) / count)


def _summed(values: FloatArray) -> FloatArray:
    """Sums of the values before each and of all, shape (n + 1,)."""
    return np.concatenate(([0.0], np.cumsum(values)))
