"""
How fast a level comes back after a fall, against how fast it came up before.

A cleaned element comes back over the same levels faster than before, a new one more slowly.
Promises: pure; the answer depends on the hours that are given alone.
Leaves to others: what a pace says of the element (`explain`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.densities import LN_ROOT_2PI, below, ln
from cleanside.ingest.restriction.elements.pieces import Cut, LevelPiece
from cleanside.ingest.restriction.measure.tuning import Tuning


class Pace(NamedTuple):
    """How long the level took over the same way after a fall, against before it. ln of hours."""

    ratio: float
    is_over: bool  # False: it has taken that long, and is not there yet


def pace_of(cut: Cut, before: LevelPiece, piece: LevelPiece, tuning: Tuning) -> Pace | None:
    """None where the level did not come up that way before, or too little was seen since."""
    fall = before.finish - piece.start
    if fall < tuning.least_step:
        return None
    high = piece.start + tuning.pace_way * fall
    earlier = cut.smooth[max(0, before.end - tuning.pace_rows) : before.end]
    later = cut.smooth[piece.first : piece.first + tuning.pace_rows]
    fallen = np.flatnonzero(later < piece.start - tuning.least_step)
    later = later[: fallen[0]] if len(fallen) else later
    lows = np.flatnonzero(earlier <= piece.start + cut.spread)
    highs = np.flatnonzero(earlier >= high)
    if len(lows) == 0 or len(highs) == 0 or highs[-1] <= lows[-1]:
        return None
    begun = before.end - len(earlier)
    took = _between(cut, begun + lows[-1], begun + highs[highs > lows[-1]][0])
    reached = np.flatnonzero(later >= high)
    takes = _between(cut, piece.first, piece.first + (reached[0] if len(reached) else len(later) - 1))
    return Pace(math.log(takes / took), len(reached) > 0)


def _between(cut: Cut, first: int, last: int) -> float:
    """Operating hours from one row to another, at least one. [h]"""
    return max(float(cut.run_h[last] - cut.run_h[first]), 1.0)


def as_slow(pace: Pace | None, expected: tuple[float, float], least: float) -> float:
    """ln density of a pace, or of one at least as slow; never below `least`."""
    if pace is None:
        return 0.0
    middle, spread = expected
    away = (pace.ratio - middle) / spread
    density = -0.5 * away**2 - math.log(spread) - LN_ROOT_2PI
    return max(density if pace.is_over else ln(below(-away)), least)
