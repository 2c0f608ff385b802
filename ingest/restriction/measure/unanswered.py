"""
Minutes in which restriction does not follow the engine: a tube is off, an element missing, a sensor stuck.

Strategy: the check of an installation (`gateway.spot_checks.answer`) on stretches of `STRETCH_S`, so that the
fleet knows within minutes what the page Visit says to who stands beside the machine. A stretch without both
speeds is not known, unless it reads next to nothing at high idle.
Promises: pure; a stretch depends on its own readings alone.
Leaves to others: which readings run (`hours`), what is said of it (`verdict.suspect`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.gateway.spot_checks import ANSWER_PA, AT_LEAST, HIGH_OVER_IDLE, IDLE_RAD_S, RUNNING_RAD_S
from cleanside.ingest.restriction.measure.summary import HOUR_S, BoolArray, FloatArray, IntArray

STRETCH_S = (
    300.0  # divides an hour; chosen: minutes after a tube came off, and few sound readings lost with it
)
HIGH_RAD_S = HIGH_OVER_IDLE * IDLE_RAD_S
NOTHING_PA = 150.0  # three steps of a 0.05 kPa sensor: less at high idle is next to nothing (chosen)


class Unanswered(NamedTuple):
    """Of readings in time order, and of their hours."""

    #: readings of such minutes, where others of their hour did answer, shape (readings,)
    dropped: BoolArray
    #: into the hour: no answer since; inf: at last there was one; NaN: not known, shape (hours,). [s]
    since_s: FloatArray
    #: what it showed at high idle since then; NaN: nothing is unanswered, shape (hours,). [Pa]
    level_pa: FloatArray


def unanswered(
    at_s: FloatArray, restriction_pa: FloatArray, speed_rad_s: FloatArray | None, slot: IntArray, hours: int
) -> Unanswered:
    """
    Look at each stretch of some hours.

    at_s, restriction_pa, speed_rad_s : in time order, shape (n,); NaN: not known; None: no speed is.
    slot : the place of each reading's hour, 0 to hours - 1.
    """
    none = np.full(hours, np.nan)
    if speed_rad_s is None or not len(at_s):
        return Unanswered(np.zeros(len(at_s), dtype=bool), none, none.copy())
    stretch = np.floor(at_s / STRETCH_S).astype(np.int64)
    first = np.flatnonzero(np.diff(stretch, prepend=stretch[0] - 1))
    place = np.cumsum(np.diff(stretch, prepend=stretch[0] - 1) != 0) - 1
    known = ~np.isnan(restriction_pa)
    idle = known & (speed_rad_s > RUNNING_RAD_S) & (speed_rad_s <= IDLE_RAD_S)
    high = known & (speed_rad_s >= HIGH_RAD_S)
    idle_pa, high_pa = (_means(restriction_pa, rows, place, len(first)) for rows in (idle, high))
    rise_pa = np.where(np.isnan(idle_pa) & (high_pa < ANSWER_PA), high_pa, high_pa - idle_pa)
    lost, answered = rise_pa < ANSWER_PA, rise_pa >= ANSWER_PA
    of_hour = slot[first]
    since_s, level_pa = none.copy(), none.copy()
    for row in np.flatnonzero(~np.isnan(high_pa)).tolist():
        hour = of_hour[row]
        was_nothing = level_pa[hour] < NOTHING_PA
        if answered[row] or (was_nothing and high_pa[row] >= NOTHING_PA):
            since_s[hour], level_pa[hour] = np.inf, np.nan
        elif lost[row]:
            since_s[hour] = since_s[hour] if np.isfinite(since_s[hour]) else at_s[first[row]] % HOUR_S
            level_pa[hour] = high_pa[row]
    is_sound = answered | (np.isnan(idle_pa) & (high_pa >= NOTHING_PA))
    has_answer = np.bincount(of_hour, is_sound, minlength=hours) > 0
    return Unanswered((lost & has_answer[of_hour])[place], since_s, level_pa)


def _means(values: FloatArray, rows: BoolArray, place: IntArray, stretches: int) -> FloatArray:
    """Mean of each stretch over these rows; NaN below `AT_LEAST`."""
    count = np.bincount(place[rows], minlength=stretches)
    total = np.bincount(place[rows], values[rows], minlength=stretches)
    return np.where(count >= AT_LEAST, total / np.maximum(count, 1), np.nan)
