"""
Hours in which a gauge read with its ports swapped: below zero by what the element resists.

A gauge of differences whose two tubes were exchanged reads minus the restriction. It then follows the engine
as well as before, so the hours are fit to judge by with the other sign. No other fault does both: with a tube
off, a tap plugged or a zero that moved the reading lies below zero without falling further as the flow rises.
Promises: pure; an hour is judged by the hours up to it, and its high readings by all sound hours.
Leaves to others: what is said of it (`verdict.suspect`). A sensor that shows nothing below its zero, or a
machine whose engine counts as running by restriction alone, does not show it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.ndimage import median_filter

from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.steady import latched
from cleanside.ingest.restriction.measure.summary import BoolArray, Summaries
from cleanside.ingest.restriction.measure.zero import Zero, learn_zero

#: chosen: one and a half steps of a 0.05 kPa sensor; less is no reading either side of zero
QUIET_PA = 75.0
#: of the usual restriction at work is the least that counts below zero: a clean element reads about a third
#: of a loaded one (common practice: 0.2 to 0.5 of the limit), and a moved zero some hundred pascal
LEAST_SHARE = 0.2
RESTS_WITHIN = 0.3  # of what is read at work: nearer to the usual zero it is at rest (chosen)
#: least ratio of two flows of an hour whose readings are compared (chosen: as in `verdict.suspect`)
FLOW_STEP = 1.3
#: least rise of ln(reading) for one of ln(flow): media and ducts answer with 1 to 2 (Darcy-Forchheimer)
FOLLOWS = 0.5
SPREADS = 0.1  # of the mean: without a measure of flow the work alone moves the reading by more (chosen)
#: hours whose median stands for one of them without a measure of flow: a shift, as `Tuning.envelope_h`
AROUND_ROWS = 9


class Mirrored(NamedTuple):
    """The hours of a housing with what they would have read, and which of them were mirrored, shape (n,)."""

    table: Summaries
    hours: BoolArray


def righted(table: Summaries) -> Mirrored:
    """The hours with the sign turned where the ports were swapped, worked out once for the same summaries."""
    mirrored = table.once("mirrored", lambda: _mirrored(table))
    if not mirrored.any():
        return Mirrored(table, mirrored)
    return Mirrored(table.once("righted", lambda: _turned(table, mirrored)), mirrored)


def _mirrored(table: Summaries) -> BoolArray:
    """Hours with the ports swapped, shape (n,)."""
    if not np.any(table.column("highest_pa") <= QUIET_PA):
        return np.zeros(len(table), dtype=bool)
    zero = learn_zero(table)
    usual_pa = zero.usual_by_hour_pa(len(table))
    highest_pa = table.column("highest_pa") - usual_pa
    begins = table.working & _follows_below(table, zero)
    ends = table.working & (highest_pa > 2 * QUIET_PA)
    return latched(begins, ends) & table.working


def _follows_below(table: Summaries, zero: Zero) -> BoolArray:
    """Hours that read well below the usual zero, and further below it the more flow there is, shape (n,)."""
    n, works = len(table), table.working
    usual_pa = zero.usual_by_hour_pa(n)
    readings, mean_pa = table.bin_column("readings"), table.bin_column("mean_pa")
    total = np.bincount(table.bin_hour, readings, minlength=n)
    means_pa = np.bincount(table.bin_hour, readings * mean_pa, minlength=n)
    below_pa = usual_pa - np.divide(means_pa, total, out=np.full(n, np.nan), where=total > 0)
    usual_level_pa = middle(np.abs(below_pa[works])) if works.any() else math.inf
    deep = below_pa >= max(2 * QUIET_PA, LEAST_SHARE * usual_level_pa)
    deep &= table.column("highest_pa") - usual_pa <= QUIET_PA
    rest_pa = table.column("off_mean_pa")
    rest_pa = np.where(np.isnan(rest_pa), zero.by_hour_pa, rest_pa) - usual_pa
    rests = np.abs(rest_pa) <= np.maximum(QUIET_PA, RESTS_WITHIN * below_pa)
    found = np.zeros(n, dtype=bool)
    place = np.flatnonzero(deep & rests & works)
    first, last = table.bin_starts[place], table.bin_starts[place + 1] - 1
    flow, spread_pa = table.bin_column("flow"), table.bin_column("p90_pa") - mean_pa
    wide = (flow[first] > 0) & (flow[last] >= FLOW_STEP * flow[first])
    low_pa, high_pa = (np.maximum(usual_pa[place] - mean_pa[rows], 1.0) for rows in (first, last))
    answer = np.log(high_pa / low_pa)
    least = FOLLOWS * np.log(np.where(wide, flow[last] / np.where(wide, flow[first], 1.0), 1.0))
    at_rest = ~np.isnan(table.column("off_mean_pa")[place])
    spreads = spread_pa[last] >= SPREADS * below_pa[place]
    found[place] = np.where(wide, answer >= least, at_rest | spreads)
    return found


def _turned(table: Summaries, mirrored: BoolArray) -> Summaries:
    """
    The same with the restriction of some hours turned about the usual zero.

    Of such an hour the high readings are not known, because the summary has those nearest to zero: they lie
    above the mean as in the sound hours of the machine. Without a measure of flow the mean goes with the work
    of the hour, so that of the hours around it stands for it.
    """
    mine = mirrored[table.bin_hour]
    bins, hours = table.bins.copy(), table.hours.copy()
    zero_pa = learn_zero(table).usual_by_hour_pa(len(table))[table.bin_hour]
    level_pa = table.bin_column("mean_pa") - zero_pa
    sound = ~mine & (level_pa > QUIET_PA)
    turned_pa = np.maximum(-level_pa[mine], 0.0)
    bins["mean_pa"][mine] = zero_pa[mine] + turned_pa
    bare = table.bin_column("flow")[mine] <= 0
    usual_turned_pa = turned_pa.copy()
    usual_turned_pa[bare] = median_filter(turned_pa[bare], size=AROUND_ROWS, mode="nearest")
    for name in ("p90_pa", "highest_pa"):
        above = (table.bin_column(name)[sound] - zero_pa[sound]) / level_pa[sound]
        ratio = middle(above) if len(above) else 1.0
        bins[name][mine] = zero_pa[mine] + ratio * usual_turned_pa
    highest_pa = np.maximum.reduceat(bins["highest_pa"], table.bin_starts[:-1][table.working])
    hours["highest_pa"][mirrored] = highest_pa[mirrored[table.working]]
    hours["unanswered_s"][mirrored] = math.inf  # restriction followed the engine
    return Summaries(hours, bins, table.bin_count, table.parts)
