"""
Steady values over time: states that do not flap, medians that follow a trend.

Promises: computed over time-ordered values and never over earlier outputs.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import median_filter

from cleanside.ingest.restriction.measure.ranks import counted_up_to, middle, row_middles
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray

LEAST_ROWS = 5  # hours before a state is entered (chosen: half a shift)
SMOOTHED_ROWS = 5  # hours whose median is the level (chosen: half a shift, two odd ones do not show)


def latched(enter: BoolArray, leave: BoolArray) -> BoolArray:
    """
    A state that begins where `enter` is true and lasts until `leave` is, shape (n,), in time order.

    A value between the two bounds changes nothing, so the state does not flap. Where both are true at one
    place, the state begins.
    """
    place = np.arange(len(enter))
    begun = np.maximum.accumulate(np.where(enter, place, -1))
    ended = np.maximum.accumulate(np.where(leave & ~enter, place, -1))
    return np.asarray(begun > ended)


def carried_state(place: IntArray, enter: BoolArray, leave: BoolArray, hours: int) -> BoolArray:
    """
    The latched state at some hours, carried on through those between, shape (hours,).

    place : which hours those are, rising, one for each of `enter` and `leave`. The first few never enter.
    """
    enter = enter & (np.arange(len(enter)) >= LEAST_ROWS - 1)
    state = np.concatenate(([False], latched(enter, leave)))
    return np.asarray(state[counted_up_to(place, hours)])


def trailing_median(values: FloatArray, rows: int) -> FloatArray:
    """Median of the last `rows` values at each, shape as given; at the beginning the first counts again."""
    return np.asarray(median_filter(values, size=rows, mode="nearest", origin=(rows - 1) // 2))


def smoothed(values: FloatArray, width: int = SMOOTHED_ROWS) -> FloatArray:
    """
    The level at each row: trailing median over `width` rows along the trend of the last `2 width - 1`.

    values : shape (n,), in time order, one life. Returns the same shape and unit; the first `width` rows
    are plain medians of what there is. A plain trailing median lags by half its width on a steep curve.
    The trend is the median of pairwise slopes (Sen 1968), so one odd hour, or two, do not show.
    """
    reach = 2 * width - 1
    result = np.array([middle(values[: row + 1]) for row in range(min(width, len(values)))])
    begun = values[: reach - 1].tolist()
    grown = [[_level_at_end(begun[:end], width)] for end in range(width + 1, len(begun) + 1)]
    full = [_levels_at_end(values, reach, width)] if len(values) >= reach else []
    return np.concatenate((result, *grown, *full))


def _level_at_end(values: Sequence[float], width: int) -> float:
    """`_levels_at_end` of one window, in plain numbers: arrays take longer for so few."""
    last = len(values) - 1
    slopes = [
        (values[late] - values[early]) / (late - early)
        for early, late in itertools.combinations(range(len(values)), 2)
    ]
    slope = middle(np.array(slopes))
    return middle(np.array([values[row] + slope * (last - row) for row in range(last - width + 1, last + 1)]))


def _levels_at_end(values: FloatArray, reach: int, width: int) -> FloatArray:
    """One level for each window of `reach` rows, at its last value, shape (n - reach + 1,)."""
    windows, slopes = len(values) - reach + 1, list[FloatArray]()
    for apart in range(1, reach):  # the slope of two rows is that of a pair in several windows
        steps = (values[apart:] - values[:-apart]) / apart
        slopes += [steps[early : early + windows] for early in range(reach - apart)]
    slope = row_middles(np.array(slopes).T)
    newest = sliding_window_view(values[reach - width :], width)
    return row_middles(newest + slope[:, None] * np.arange(width - 1, -1, -1))
