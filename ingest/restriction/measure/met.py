"""
The highest restriction that the work of a machine meets, beside its level at full flow.

An indicator on the housing stays at the highest that it met, moisture included: that is what latches it. Work
that stays below full flow meets less than the level at full flow says, and a wet element more.
Promises: pure; hours of several lives count alike, because only the ratio to the level is taken.
Leaves to others: when it latches (`verdict.latch`), and what people saw of it (`calibration`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.ranks import quantile
from cleanside.ingest.restriction.measure.reference import HIGHEST_NOISE_PA
from cleanside.ingest.restriction.measure.summary import FloatArray, Summaries
from cleanside.ingest.restriction.measure.tuning import MetTuning
from cleanside.ingest.restriction.measure.zero import learn_zero


class Met(NamedTuple):
    """ln of the highest that a shift meets over the level at full flow: middle and standard deviation."""

    middle: float
    spread: float
    reached: bool = False  # the running element met the limit: an indicator has latched


def peaks_pa(table: Summaries, hour_s: FloatArray) -> FloatArray:
    """The highest reading of some hours less zero and noise, shape of hour_s; NaN where nothing was read."""
    place = np.searchsorted(table.column("hour_s"), hour_s)
    above_pa = table.column("highest_pa") - learn_zero(table).by_hour_pa
    return np.asarray(above_pa[place] - HIGHEST_NOISE_PA)


def met_of(peak_pa: FloatArray, level_pa: FloatArray, tuning: MetTuning) -> Met:
    """
    What shifts meet beside the level.

    peak_pa, level_pa : of each hour at work with an element, in time order, shape (n,). Levels are those that
        the forecast goes by.
    """
    sound = (peak_pa > 0) & (level_pa > 0)
    off = np.log(peak_pa[sound] / level_pa[sound])[-tuning.hours :]
    shifts = len(off) // tuning.shift_h
    middle, spread = tuning.usual
    if shifts:
        highest = off[len(off) - shifts * tuning.shift_h :].reshape(shifts, tuning.shift_h).max(axis=1)
        low, high = (quantile(highest, at) for at in tuning.between)
        share = shifts / (shifts + tuning.usual_shifts)
        middle = share * quantile(highest, tuning.high) + (1.0 - share) * middle
        spread = np.sqrt(share * (0.5 * (high - low)) ** 2 + (1.0 - share) * spread**2)
    return Met(middle, float(np.hypot(spread, tuning.monitor_spread)))
