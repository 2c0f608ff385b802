"""
The state of an element in one word.

Promises: states are computed over time-ordered values and never over earlier outputs, with hysteresis.
A state is advice: the engine maker's service limit and manual come first.
Leaves to others: what a person reads of it (`plain_forms`).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from cleanside.ingest.restriction.measure.steady import latched
from cleanside.ingest.restriction.measure.summary import FloatArray

#: of the way from clean to terminal (chosen: before the limit, by what levels are known to; and the limit)
DUE_SHARE, OVER_SHARE = 0.95, 1.0
HYSTERESIS = 0.03  # of the span from clean to terminal (chosen: a sensor step of 0.05 kPa is 1 % of it)
#: `plan` is left only when the due date is that many horizons away (chosen: dates move by days)
PLAN_LEAVE = 1.25
#: operating hours over which the level and its states are followed (chosen: an element; it stays a month)
LEVEL_ROWS = 500


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


def was_plan(days_left: Iterable[FloatArray], *, horizon_days: float) -> bool:
    """
    Was the due date within the planning horizon when it last was clearly within it or beyond.

    days_left : forecasts of the days until due, made at each operating hour of one life, in blocks in time
        order, the newest block first. No more blocks are taken than it needs.
    """
    for days in days_left:
        told = days[(days <= horizon_days) | (days > PLAN_LEAVE * horizon_days)]
        if len(told):
            return bool(told[-1] <= horizon_days)
    return False
