"""
How sure the flow exponent of a recorded series is: a bootstrap over stretches of it.

Steps of one week share weather, work and dirt on the sensor, so they are not independent: drawing single
steps again promises far too much. Whole stretches are drawn instead.
Source: H. R. Kuensch, "The Jackknife and the Bootstrap for General Stationary Observations", Annals of
Statistics 17 (1989), block bootstrap.
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.measure.exponent import LEAST_LN_STEP
from cleanside.ingest.restriction.measure.summary import FloatArray

STRETCHES = 12  # of a series: a stretch is then long beside the weeks that are alike (chosen)
SERIES_DRAWN = 1000
DRAWN_FROM = 20260  # any number; fixed so that a report can be repeated


def exponent_spread(ln_flow_step: FloatArray, ln_restriction_step: FloatArray) -> float:
    """
    Standard deviation of the exponent over series made of STRETCHES stretches drawn again.

    ln_flow_step, ln_restriction_step : shape (n,), in time order, n >= 1 of them at least LEAST_LN_STEP.
    The exponent is the median of restriction step over flow step, weighted with the flow step.
    """
    moved = np.flatnonzero(np.abs(ln_flow_step) >= LEAST_LN_STEP)
    slope = ln_restriction_step[moved] / ln_flow_step[moved]
    order = np.argsort(slope, kind="stable")
    block = (moved * STRETCHES // len(ln_flow_step))[order]
    weight, slope = np.abs(ln_flow_step[moved])[order], slope[order]
    rng = np.random.default_rng(DRAWN_FROM)
    drawn = rng.multinomial(STRETCHES, np.full(STRETCHES, 1.0 / STRETCHES), SERIES_DRAWN)
    middles = [_weighted_median(slope, weight * times[block]) for times in drawn]
    return float(np.nanstd(middles))


def _weighted_median(rising: FloatArray, weight: FloatArray) -> float:
    """Of rising values; NaN where all weights are zero."""
    total = np.cumsum(weight)
    if total[-1] <= 0:
        return float("nan")
    return float(rising[np.searchsorted(total, 0.5 * total[-1])])
