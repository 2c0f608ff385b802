"""
Bins of one hour, or of hours that follow each other, as pairs: how restriction went as the flow stepped.

Promises: pure; the pairs of an hour go by that hour, the next one and their zero alone. So those of hours
that did not change are taken from the run before.
Leaves to others: what flow a bin had (`reference`), and the exponent that follows (`exponent`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.exponent import LEAST_LN_STEP
from cleanside.ingest.restriction.measure.known_hours import Beside, KnownHours, Rows, joined
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray, Summaries

FOLLOWS_S = 7200  # between the beginnings of two hours (chosen: further apart, another element may be in)


class FlowBins(NamedTuple):
    """What the bins of a housing are paired by."""

    mine: BoolArray  # of the flow proxy that counts, shape (bins,)
    flow: FloatArray  # shape (bins,)
    zero_pa: FloatArray  # of each hour, shape (hours,)


class FlowSteps(NamedTuple):
    """Steps between flow bins of one hour, or between hours that follow each other. Shape (n,)."""

    ln_flow: FloatArray
    ln_drop: FloatArray
    hour: IntArray  # of the lower flow: place in the summaries, not falling
    low_pa: FloatArray  # the lower of the two restrictions


class Pairs(NamedTuple):
    """Two bins of one hour, or of hours that follow each other. Shape (n,)."""

    low: IntArray  # place among the bins
    high: IntArray
    hour: IntArray  # of the lower one: place in the summaries
    ln_drop: FloatArray  # of restriction, from the lower one to the higher one
    least_pa: FloatArray  # the lower of the two restrictions


def pairs_of(table: Summaries, bins: FlowBins) -> Pairs:
    """Each lower bin of an hour with its highest; the only bin of an hour with each of the hour before."""
    mine, flow, hour, n = bins.mine, bins.flow, table.bin_hour, len(table)
    above_pa = table.bin_column("mean_pa") - bins.zero_pa[hour]
    valid = np.flatnonzero(mine & (above_pa > 0) & (flow > 0))
    owner, of_valid = hour[valid], flow[valid]
    count = np.bincount(owner, minlength=n)
    highest = np.zeros(n)
    highest[count > 0] = np.maximum.reduceat(of_valid, np.flatnonzero(np.diff(owner, prepend=-1)))
    top = np.zeros(n, dtype=np.int64)  # of each hour with a valid bin: the place of its highest
    is_top = np.flatnonzero(of_valid == highest[owner])
    top[owner[is_top]] = is_top
    low = np.flatnonzero(np.arange(len(valid)) != top[owner])
    high = top[owner[low]]
    near = np.flatnonzero(np.bincount(hour[mine], minlength=n) > 0)
    following = np.full(n, -1)
    following[near[:-1]] = np.where(
        (np.diff(table.hours["hour_s"][near]) <= FOLLOWS_S) & (count[near[1:]] == 1), near[1:], -1
    )
    before = np.flatnonzero(following[owner] >= 0)
    low, high = (
        valid[np.concatenate((low, before))],
        valid[np.concatenate((high, top[following[owner[before]]]))],
    )
    ln_drop = np.log(above_pa[high]) - np.log(above_pa[low])
    return Pairs(low, high, hour[low], ln_drop, np.minimum(above_pa[low], above_pa[high]))


def flow_steps_of(table: Summaries, bins: FlowBins, rests_on: object) -> FlowSteps:
    """
    The steps of all hours; those of hours that did not change are taken from the summaries before.

    rests_on : beside summaries and zero all that `bins` were made from, compared by value.
    """
    known: KnownHours = table.handed_on("flow steps", KnownHours)
    beside = Beside(rests_on, (bins.zero_pa,))
    first, before = known.same_until(table, beside)
    # The newest hour that is the same, and has bins, is paired with one that may not be.
    paired = np.flatnonzero(bins.mine[: table.bin_starts[first]])
    first = int(table.bin_hour[paired[-1]]) if len(paired) else 0
    rows = joined(before, first, _rows_from(table, bins, first))
    known.keep(table, beside, rows)
    ln_flow, ln_drop, low_pa = rows.values
    return FlowSteps(ln_flow, ln_drop, rows.place, low_pa)


def _rows_from(table: Summaries, bins: FlowBins, first: int) -> Rows:
    """Hour, flow, drop and lower restriction of the steps from an hour on, as `joined` takes them."""
    from_bin = table.bin_starts[first]
    late = FlowBins(bins.mine[from_bin:], bins.flow[from_bin:], bins.zero_pa[first:])
    pairs = pairs_of(table.since(first), late)
    step = np.log(late.flow[pairs.high]) - np.log(late.flow[pairs.low])
    use = np.flatnonzero(np.abs(step) >= LEAST_LN_STEP)
    use = use[np.argsort(pairs.hour[use], kind="stable")]
    return Rows(pairs.hour[use], (step[use], pairs.ln_drop[use], pairs.least_pa[use]))
