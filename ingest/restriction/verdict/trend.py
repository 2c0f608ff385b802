"""
The last ninety days of restriction in a few levels, for a small drawing beside a row.

Promises: pure; steps lie at fixed places of the calendar, so that a later reading moves none of them.
Leaves to others: drawing it.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import DAY_S

TREND_STEP_S = 2 * DAY_S  # chosen: 45 levels are what a drawing of 100 px can show
TREND_STEPS = 45  # chosen, likewise: 90 days


class Trend(NamedTuple):
    """Levels by step, oldest first."""

    start_s: int  # of the first step, seconds since 1970-01-01 UTC
    levels_pa: tuple[float | None, ...]  # median of each step; None = nothing was read then


NO_TREND = Trend(0, ())  # arithmetic: of no levels


def trend_of(series: HourlyRestriction) -> Trend:
    """The steps up to the newest hour of a series, at most TREND_STEPS; NO_TREND where there is no hour."""
    known = np.isfinite(series.restriction_pa)
    if not known.any():
        return NO_TREND
    steps = (series.hour_s[known] // TREND_STEP_S).astype(np.int64)
    levels, last = series.restriction_pa[known], int(steps[-1])
    first = max(int(steps[0]), last - TREND_STEPS + 1)
    bounds = np.searchsorted(steps, np.arange(first, last + 2))
    medians = (middle(levels[begin:end]) if end > begin else None for begin, end in pairwise(bounds.tolist()))
    return Trend(first * int(TREND_STEP_S), tuple(medians))
