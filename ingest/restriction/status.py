"""
The state of an element in one word, the cause where it is suspect, and one line of advice.

Promises: states are computed over time-ordered values and never over earlier outputs, with hysteresis.
A state is advice: the engine maker's service limit and manual come first.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import median_filter

from .ranks import middle, row_middles
from .summary import BoolArray, FloatArray

DUE_SHARE, OVER_SHARE = 0.95, 1.0
HYSTERESIS = 0.03  # of the span from clean to terminal; a sensor step of 0.05 kPa is 1 % of it
PLAN_LEAVE = 1.25  # `plan` is left only when the due date is that many horizons away
LEVEL_ROWS = 500  # operating hours over which the level and its states are followed; an element stays a month

SECURE = "Engine off, key out, machine secured and locked out before anyone works in the engine bay."
MAKER = "The engine maker's service limit and manual come first."

ADVICE = {
    "running-in": "Too little seen yet to judge this element; until then go by the maker's indicator. "
    + MAKER,
    "serving": "Nothing to do; leave the housing closed, each opening lets dust in. " + MAKER,
    "plan": "Order an element and plan the change before the due date. " + MAKER,
    "due": "Change the element at the next stop. " + SECURE,
    "over": "Beyond terminal restriction: change the element now; power falls and fuel use rises. " + SECURE,
    "suspect": "Find the cause before trusting the figures. " + SECURE,
    "silent": "Find out why nothing is heard; until then go by the maker's indicator. " + MAKER,
}

NO_TERMINAL_ADVICE = (
    "Enter the terminal restriction from the engine maker's manual: without it nothing says when the element "
    "is due. Until then go by the maker's indicator."
)

SUSPECT_ADVICE = {
    "below_clean": "Stop and inspect: element missing, torn or not seated, or tube off; dust reaches the "
    "engine. Never run the engine with the element out. " + SECURE,
    "flat": "Restriction does not answer the engine: look for a plugged tap or a pinched or wet tube. "
    + SECURE,
    "zero_moved": "The reading at rest has moved: check the sensor and its tube. " + SECURE,
    "ambient": "Ambient pressure does not fit the altitude: check the sensor and the entered altitude.",
    "terminal": "The terminal value looks as if it were of another unit: check both on the gauge or in the "
    "engine maker's manual.",
    "devices_disagree": "Two devices do not agree: compare both with a gauge and check their tubes. "
    + SECURE,
}

SILENCE = {
    "keyed_off": "the last reading says keyed off",
    "out_of_coverage": "out of coverage; readings come later",
    "device_fault": "the device reports a fault",
    "unknown": "no reason known",
}


def counted(number: int, noun: str, plural: str = "") -> str:
    """A count with its noun, as that of `gateway.units`; nothing outside this folder is imported here."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def latched(enter: BoolArray, leave: BoolArray) -> BoolArray:
    """
    A state that begins where `enter` is true and lasts until `leave` is, shape (n,), in time order.

    What lies between the two bounds changes nothing, so that the state does not flap. Where both are true at
    one place, it begins.
    """
    place = np.arange(len(enter))
    begun = np.maximum.accumulate(np.where(enter, place, -1))
    ended = np.maximum.accumulate(np.where(leave & ~enter, place, -1))
    return np.asarray(begun > ended)


def trailing_median(values: FloatArray, rows: int) -> FloatArray:
    """Median of the last `rows` values at each, shape as given; at the beginning the first counts again."""
    return np.asarray(median_filter(values, size=rows, mode="nearest", origin=(rows - 1) // 2))


def level_state(share_used: FloatArray) -> str:
    """
    `serving`, `due` or `over` from the share used over time.

    share_used : smoothed, in time order, shape (n,). [1]
    A state is left only HYSTERESIS below where it was entered, so that it does not flap.
    """
    for state, edge in (("over", OVER_SHARE), ("due", DUE_SHARE)):
        if np.any(latched(share_used >= edge, share_used < edge - HYSTERESIS)[-1:]):
            return state
    return "serving"


def is_plan(days_left: FloatArray, *, horizon_days: float) -> bool:
    """
    Is the due date within the planning horizon, by the time-ordered forecasts of one life.

    days_left : shape (n,), n >= 1, median forecast of the days until due, made at each operating hour.
    """
    inside = latched(days_left <= horizon_days, days_left > PLAN_LEAVE * horizon_days)
    return bool(inside[-1])


def smoothed(values: FloatArray, width: int = 5) -> FloatArray:
    """
    The level at each row: trailing median over `width` rows along the trend of the last `2 width - 1`.

    values : shape (n,), in time order, one life. Returns the same shape and unit; the first `width` rows
    are plain medians of what there is. A plain trailing median lags by half its width on a steep curve.
    The trend is the median of pairwise slopes (Sen 1968), so one odd hour, or two, do not show.
    """
    reach = 2 * width - 1
    result = np.array([middle(values[: row + 1]) for row in range(min(width, len(values)))])
    grown = [
        _levels_at_end(values[None, :end], width) for end in range(width + 1, min(reach, len(values) + 1))
    ]
    full = [_levels_at_end(sliding_window_view(values, reach), width)] if len(values) >= reach else []
    return np.concatenate((result, *grown, *full))


def _levels_at_end(windows: FloatArray, width: int) -> FloatArray:
    """One level for each window (a row), at its last value."""
    place = np.arange(windows.shape[1])
    early, late = np.triu_indices(len(place), 1)
    slope = row_middles((windows[:, late] - windows[:, early]) / (late - early))
    moved = windows + slope[:, None] * (place[-1] - place)
    return row_middles(moved[:, -width:])
