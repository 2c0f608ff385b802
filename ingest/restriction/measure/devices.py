"""
Two devices on one housing: each has its own zero, and the analysis follows one of them.

Strategy: the device that was first to see the engine work leads. For hours that it did not see, another
device is used, scaled to the leader's zero and span. Where two disagree beyond their zeros, the analysis
follows the one that reads as it did before, because a failing sensor departs from its own past. So a level is
never frozen while one device measures.
Promises: computed over time-ordered summaries alone. The summaries of a housing with one device stay as they
are.
Leaves to others: saying that two disagree (`suspect`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.measure.held import in_ratios
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.steady import carried_state, trailing_median
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray, Summaries
from cleanside.ingest.restriction.measure.tuning import HELD
from cleanside.ingest.restriction.measure.zero import learn_zero

#: of the mean restriction of the hour (chosen: sound spans differ by a few percent, made fleets: 2 to 5 %),
DIFFER_ENTER, DIFFER_LEAVE = 0.12, 0.08
DIFFER_PA = 75.0  # beyond the zeros of two sensors (chosen: one and a half steps of a 0.05 kPa sensor)
ROWS = 12  # hours whose median is judged (chosen: a long shift, six odd ones report nothing)
LEAST_SHARED_HOURS = 20  # with fewer, the spans of two devices count as equal (chosen: two shifts)
SPAN_RANGE = (0.8, 1.25)  # sound sensors differ by a few percent (chosen)
BEFORE_ROWS = 48  # hours before a disagreement from which a device's usual reading is known (chosen: a week)
LATELY_HOURS = 48  # hours of the housing; a device that was not seen in them was taken off (chosen)
CLEARLY = 0.1  # in ln(level): so much nearer to its own past must a device be to be preferred (chosen)
#: to compare levels of one hour at slightly different flows (chosen: between media (1) and ducts (2))
FLOW_EXPONENT = 1.5
#: columns of an hour that come from one device's restriction; the others are the machine's
OF_A_DEVICE = ("flow_kind", "high_flow", "highest_pa", "off_count", "off_mean_pa")


@dataclass(frozen=True)
class Carried:
    """The summaries of a housing as one device measures it."""

    table: Summaries  # the hours of the summaries given
    #: what each recent device saw alone; empty where there are not several
    alone: Mapping[int, Summaries]
    apart_pa: (
        FloatArray  # how far devices lie apart in each hour, beyond their zeros, shape (n,); NaN: not known
    )
    differ: BoolArray  # hours in which they disagree, shape (n,)
    is_clear: bool  # where they disagree now: one of them reads as before


def carry_on(summaries: Summaries) -> Carried:
    """
    Follow one device through the hours of a housing; of several worked out once for the same summaries.

    Summaries that kept what holds themselves would wait for the garbage collector, megabytes each.
    """
    if len(summaries.of_devices()) >= 2:
        return summaries.once("carried", lambda: _carry_on(summaries))
    apart_pa = summaries.column("devices_differ_pa")
    differ = _disagreement(summaries, apart_pa, learn_zero(summaries).by_hour_pa)
    return Carried(summaries, {}, apart_pa, differ, False)


def _carry_on(table: Summaries) -> Carried:
    """Of two devices or more."""
    devices = {device: _Device(table, alone) for device, alone in table.of_devices().items()}
    lead = min(devices.values(), key=lambda device: device.first)
    apart_pa = table.column("devices_differ_pa") - _zeros_apart_pa(list(devices.values()))
    differ = _disagreement(table, apart_pa, lead.zero_pa)
    ordered = [lead, *(device for device in devices.values() if device is not lead)]
    chosen = _first_of(ordered)
    is_clear = False
    for first, end in _spans(differ):
        best, is_clear = _as_before(ordered, differ, first)
        span = slice(max(0, first - ROWS), end)
        chosen[span][ordered[best].works[span]] = best
    carried = _put_together(table, ordered, differ, chosen)
    lately = {number: device.alone for number, device in devices.items() if device.is_seen_lately}
    return Carried(carried.taking_over(table), lately, apart_pa, differ, is_clear)


def _first_of(ordered: list[_Device]) -> IntArray:
    """The first device that worked in each hour, else the first that was there; -1: not known, shape (n,)."""
    chosen = np.full(len(ordered[0].row), -1)
    for there in ([device.works for device in ordered], [device.row >= 0 for device in ordered]):
        for place, mine in enumerate(there):
            chosen[(chosen < 0) & mine] = place
    return chosen


class _Device:
    """One device's hours among those of its housing, shape (n,) each."""

    def __init__(self, table: Summaries, alone: Summaries) -> None:
        self.alone = alone
        self.zero = learn_zero(alone)
        at = np.searchsorted(table.hours["hour_s"], alone.hours["hour_s"])
        n = len(table)
        self.row = np.full(n, -1)  # place in `alone`
        self.row[at] = np.arange(len(alone))
        self.works = np.zeros(n, dtype=bool)
        self.works[at] = alone.working
        self.is_seen_lately = bool(np.any(self.row[-LATELY_HOURS:] >= 0))
        self.first = int(np.argmax(self.works)) if self.works.any() else n
        newest = np.searchsorted(alone.hours["hour_s"], table.hours["hour_s"], side="right") - 1
        by_hour_pa = self.zero.by_hour_pa
        self.zero_pa = by_hour_pa[np.maximum(newest, 0)] if len(by_hour_pa) else np.zeros(n)
        self.level_pa = np.full(n, np.nan)
        flow = table.bin_column("flow")
        usual = middle(flow[flow > 0]) if np.any(flow > 0) else 1.0
        self.level_pa[at] = _levels_pa(alone, by_hour_pa, usual)


def _levels_pa(alone: Summaries, zero_pa: FloatArray, usual: float) -> FloatArray:
    """Restriction of each hour at the usual flow of the housing, roughly; NaN where it did not work."""
    flow, hour = alone.bin_column("flow"), alone.bin_hour
    factor = np.where(flow > 0, flow / usual, 1.0) ** FLOW_EXPONENT
    weight = alone.bin_column("readings") * factor
    n = len(alone)
    above = np.bincount(hour, weight * (alone.bin_column("mean_pa") - zero_pa[hour]), minlength=n)
    below = np.bincount(hour, weight * factor, minlength=n)
    return np.asarray(np.divide(above, below, out=np.full(n, np.nan), where=below > 0))


def _zeros_apart_pa(devices: list[_Device]) -> FloatArray:
    """How far the zero of the highest-numbered device lies above that of the lowest; of two, of the pair."""
    if not all(device.zero.known for device in (devices[0], devices[-1])):
        return np.zeros(len(devices[0].row))
    return np.asarray(devices[-1].zero_pa - devices[0].zero_pa)


def _disagreement(table: Summaries, apart_pa: FloatArray, zero_pa: FloatArray) -> BoolArray:
    """Hours in which two devices read too far apart, shape (n,)."""
    place = np.flatnonzero(~np.isnan(apart_pa) & table.working)
    if len(place) == 0:
        return np.zeros(len(table), dtype=bool)
    weight = table.bin_column("readings")
    total = np.bincount(table.bin_hour, weight, minlength=len(table))
    mean = np.bincount(table.bin_hour, weight * table.bin_column("mean_pa"), minlength=len(table))
    level = np.maximum(mean[place] / total[place] - zero_pa[place], 0.0)
    # Two that read next to nothing agree on what matters: no element, or no tube.
    level = np.maximum(level, float(np.median(level)) / 2)
    beyond_pa = np.abs(apart_pa[place]) - DIFFER_PA
    enter = trailing_median(beyond_pa - DIFFER_ENTER * level, ROWS) > 0
    leave = trailing_median(beyond_pa - DIFFER_LEAVE * level, ROWS) < 0
    return carried_state(place, enter, leave, len(table))


def _spans(state: BoolArray) -> list[tuple[int, int]]:
    """First row and end of each span in which a state holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], state.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _as_before(devices: list[_Device], differ: BoolArray, first: int) -> tuple[int, bool]:
    """
    The device that reads as it did before a disagreement that shows from row `first` on; and whether it is
    clear.

    The first of the list, which leads, where no device is clearly nearer to its own past.
    """
    begun = max(0, first - ROWS // 2)
    moved = np.array([_moved(device.level_pa, ~differ, begun, first + ROWS // 2) for device in devices])
    if np.isnan(moved).all() or len(moved) < 2:
        return 0, False
    order = np.argsort(np.where(np.isnan(moved), np.inf, moved), kind="stable")
    nearest, next_one = int(order[0]), int(order[1])
    is_clear = bool(moved[next_one] > moved[nearest] + CLEARLY)  # False where the other is not known
    return (nearest, True) if is_clear else (0, False)


def _moved(level_pa: FloatArray, sound: BoolArray, begun: int, end: int) -> float:
    """How far the hours [begun, end) are from those before, |ln|; NaN: not known."""
    earlier = level_pa[max(0, begun - BEFORE_ROWS) : max(0, begun - ROWS // 2)]
    earlier = earlier[sound[max(0, begun - BEFORE_ROWS) : max(0, begun - ROWS // 2)]]
    then = level_pa[begun:end]
    earlier, then = earlier[~np.isnan(earlier)], then[~np.isnan(then)]
    if len(earlier) < ROWS // 2 or len(then) < ROWS // 2:
        return np.nan
    before_pa, after_pa = middle(earlier), middle(then)
    if before_pa <= DIFFER_PA or after_pa <= 0:
        return np.inf if before_pa > DIFFER_PA else np.nan
    return float(abs(np.log(after_pa / before_pa)))


def _span_of(lead: _Device, device: _Device, differ: BoolArray) -> float:
    """Factor on a device's level that brings it to the leader's span."""
    both = lead.works & device.works & ~differ & (device.level_pa > DIFFER_PA) & (lead.level_pa > DIFFER_PA)
    if both.sum() < LEAST_SHARED_HOURS:
        return 1.0
    span = in_ratios(middle(lead.level_pa[both] / device.level_pa[both]), HELD.span_ratio)
    return float(np.clip(span, *SPAN_RANGE))


def _put_together(table: Summaries, devices: list[_Device], differ: BoolArray, chosen: IntArray) -> Summaries:
    """The hours of `table` with what the chosen device saw; -1 = as they are."""
    hours = table.hours.copy()
    sources, starts, counts = [table.bins], table.bin_starts[:-1].copy(), table.bin_count.copy()
    offset = len(table.bins)
    lead = devices[0]
    for place, device in enumerate(devices):
        rows = np.flatnonzero(chosen == place)
        mine = device.row[rows]
        for name in OF_A_DEVICE:
            hours[name][rows] = device.alone.hours[name][mine]
        bins = device.alone.bins.copy()
        if device is not lead:
            span = _span_of(lead, device, differ)
            _rescale(hours, rows, bins, device, lead.zero_pa, span)
        starts[rows], counts[rows] = device.alone.bin_starts[mine] + offset, device.alone.bin_count[mine]
        sources.append(bins)
        offset += len(bins)
    ends = np.cumsum(counts)
    place_of_bin = np.repeat(starts - (ends - counts), counts) + np.arange(int(ends[-1]))
    return Summaries(hours, np.concatenate(sources)[place_of_bin], counts)


def _rescale(
    hours: np.ndarray[tuple[int], np.dtype[np.void]],
    rows: IntArray,
    bins: np.ndarray[tuple[int], np.dtype[np.void]],
    device: _Device,
    lead_zero_pa: FloatArray,
    span: float,
) -> None:
    """Bring rows of a device to the leader's zero and span, in place."""
    own_pa, lead_pa = np.zeros(len(device.alone)), np.zeros(len(device.alone))
    mine = device.row[rows]
    own_pa[mine], lead_pa[mine] = device.zero_pa[rows], lead_zero_pa[rows]
    of_bin = device.alone.bin_hour
    for name in ("mean_pa", "p90_pa", "highest_pa"):
        bins[name] = (bins[name] - own_pa[of_bin]) * span + lead_pa[of_bin]
    for name in ("highest_pa", "off_mean_pa"):
        hours[name][rows] = (hours[name][rows] - own_pa[mine]) * span + lead_pa[mine]
