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
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray, Summaries

FOLLOWS_S = 7200  # hours further apart may have seen another element


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


class _Run(NamedTuple):
    """Steps with what they were made from."""

    mark: object  # of the summaries
    rests_on: object
    zero_pa: FloatArray
    steps: FlowSteps


class KnownSteps:
    """The steps of a housing as last made, for its next summaries. Threads may share it."""

    def __init__(self) -> None:
        self._last: _Run | None = None

    def of(self, table: Summaries, bins: FlowBins, rests_on: object) -> FlowSteps:
        """
        The steps of all hours, equal to those made of the table alone.

        rests_on : beside summaries and zero all that `bins` were made from, compared by value.
        """
        first, known = self._same_until(table, bins, rests_on)
        steps = _steps_of(table, bins) if first == 0 else _joined(known, first, table, bins)
        self._last = _Run(table.mark, rests_on, bins.zero_pa, steps)
        return steps

    def _same_until(self, table: Summaries, bins: FlowBins, rests_on: object) -> tuple[int, FlowSteps]:
        """The hour up to which the last steps hold; 0: none does."""
        last = self._last
        if last is None or last.rests_on != rests_on:
            return 0, _NONE
        same = table.same_hours(last.mark)
        moved = np.flatnonzero(last.zero_pa[:same] != bins.zero_pa[:same])
        same = int(moved[0]) if len(moved) else same
        # The newest hour that is the same, and has bins, is paired with one that may not be.
        paired = np.flatnonzero(bins.mine[: table.bin_starts[same]])
        return int(table.bin_hour[paired[-1]]) if len(paired) else 0, last.steps


_NONE = FlowSteps(np.empty(0), np.empty(0), np.empty(0, dtype=np.int64), np.empty(0))


def _steps_of(table: Summaries, bins: FlowBins) -> FlowSteps:
    pairs = pairs_of(table, bins)
    step = np.log(bins.flow[pairs.high]) - np.log(bins.flow[pairs.low])
    use = np.flatnonzero(np.abs(step) >= LEAST_LN_STEP)
    use = use[np.argsort(pairs.hour[use], kind="stable")]
    return FlowSteps(step[use], pairs.ln_drop[use], pairs.hour[use], pairs.least_pa[use])


def _joined(known: FlowSteps, first: int, table: Summaries, bins: FlowBins) -> FlowSteps:
    """Known steps of the hours before one, and those of that one and later ones."""
    from_bin, end = table.bin_starts[first], int(np.searchsorted(known.hour, first))
    late = FlowBins(bins.mine[from_bin:], bins.flow[from_bin:], bins.zero_pa[first:])
    made = _steps_of(table.tail(len(table) - first), late)
    made = made._replace(hour=made.hour + first)
    return FlowSteps(*(np.concatenate((a[:end], b)) for a, b in zip(known, made, strict=True)))
