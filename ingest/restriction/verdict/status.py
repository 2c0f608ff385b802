"""
The state of an element in one word, the cause where it is suspect, and one line of advice.

Promises: states are computed over time-ordered values and never over earlier outputs, with hysteresis.
A state is advice: the engine maker's service limit and manual come first.
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.measure.steady import latched
from cleanside.ingest.restriction.measure.summary import FloatArray

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

#: reason for silence -> what is known, and what is not
SILENCE = {
    "keyed_off": "keyed off at the last message",
    "off_or_out_of_coverage": "keyed off at the last message; it may have stood since, or worked out of "
    "coverage",
    "out_of_coverage": "out of coverage: its gateway holds readings that did not get through yet",
    "device_fault": "the device reported a fault",
    "unknown": "no reason known",
}


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
