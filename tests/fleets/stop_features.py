"""
What the hours of a machine show around a stop of its engine, as plain numbers for a judge that learns.

Nothing here weighs anything: falls of the level over several windows, where it lies beside what is known of
clean elements and the limit, how restriction answers the flow, what the hour itself shows, zero, air, and
what the other machines did meanwhile. NaN: not known.
Pure. Leaves to others: levels, zero and flow (the analysis), and what any of it means (the judge).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction import HousingFacts
from cleanside.ingest.restriction.measure.ranks import MAD_TO_SPREAD
from cleanside.ingest.restriction.measure.reference import bin_flow
from cleanside.ingest.restriction.measure.summary import FLOW_KINDS
from cleanside.ingest.restriction.measure.zero import learn_zero
from cleanside.ingest.restriction.verdict.element_history import expectation_of
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours
from tests.fleets.stops import Stop
from tests.fleets.truth import DAY_S, Floats

NAN = float("nan")
FEW_H, SHIFT_H, DAYS_H, AFTER_H = 3, 8, 24, 30  # windows, in hours at work
NEWEST_H = 4
FLOW_BEFORE_H, FLOW_AFTER_H = 14, 12  # hours whose flow bins are compared
WAY_H, NEAR_FALL = 150, 0.15  # the way back to the level after the fall, as `Tuning.swell_rows` has it
NOISE_BLOCKS = 40
LEAST_PA, FLOOR = 5.0, 0.02  # what is lower reads as nothing: Pa in a bin, share of the usual level
LEAST_FALL = 0.05  # ln; where no window shows one, a judge says nothing
FLEET_DAYS_S = 3 * DAY_S
#: what a group of numbers is about -> its numbers
GROUPS: Mapping[str, tuple[str, ...]] = {
    "step of the level": (
        *("d3m", "d8m", "d8h", "d24m", "gap3", "gap8", "d_end"),
        *("max_after", "slope_after", "noise8", "z8", "sd_after", "swelled_h"),
    ),
    "beside the limit": ("before_lim", "after_lim", "end_lim"),
    "beside clean elements of the kind and the machine's past": (
        *("after_kind", "after_to_lowest", "before_to_highest"),
    ),
    "answer to the flow": (
        *("n_b", "n_a", "n_all", "dn", "dn_all", "fm_shift", "res_a", "exponent", "flow_kind"),
    ),
    "within the hour": ("p90r_d", "highest_d", "highest_mx", "lowbin_d"),
    "zero at rest": ("off_shift_rel",),
    "length of the stop, hours in doubt": ("stood_h", "believed_b", "believed_a"),
    "air": ("temperature_k_d",),
    "the fleet meanwhile": ("fleet_d",),
}


@dataclass(frozen=True)
class SeenHours:
    """The hours of a machine as they have arrived by a look, with what was known of it then."""

    measured: MeasuredHours
    facts: HousingFacts

    @cached_property
    def ln(self) -> Floats:
        """Level at the reference flow, by row of the series. [ln Pa]"""
        level = self.measured.series.restriction_pa
        usual = np.nanmedian(level[level > 0]) if np.any(level > 0) else 1.0
        floored = np.log(np.maximum(level, FLOOR * max(usual, 1.0)))
        return np.where(np.isfinite(level), floored, np.nan)

    @property
    def hour_s(self) -> Floats:
        return self.measured.series.hour_s

    def rows(self, stop: Stop) -> tuple[int, int]:
        """First row that is not before a stop, and first one after it."""
        before = np.searchsorted(self.hour_s, stop.before_s, side="right")
        return int(before), int(np.searchsorted(self.hour_s, stop.after_s))

    def falls(self, stop: Stop) -> bool:
        """True where the level falls over any window."""
        b, a = self.rows(stop)
        ln = self.ln
        if b < FEW_H or len(ln) - a < FEW_H:
            return False
        few, shift, days = (ln[max(0, b - h) : b] for h in (FEW_H, SHIFT_H, DAYS_H))
        after = ln[a : a + SHIFT_H]
        by = (
            middle(few) - middle(ln[a : a + FEW_H]),
            middle(shift) - middle(after),
            quantile(shift, 0.8) - quantile(after, 0.8),
            middle(days) - middle(after),
            middle(shift) - middle(ln[max(a, len(ln) - NEWEST_H) :]),
        )
        return max(by) > LEAST_FALL

    @cached_property
    def noise(self) -> float:
        """Spread of the bends of the level from shift to shift, before anything is judged. [ln]"""
        believed = self.ln[self.measured.believed()]
        blocks = _blocks(believed)[-NOISE_BLOCKS:]
        bends = np.abs(np.diff(blocks, n=2))
        return MAD_TO_SPREAD * middle(bends) / np.sqrt(3.0) if len(blocks) > FEW_H else NAN

    @cached_property
    def bins(self) -> tuple[Floats, Floats, Floats]:
        """ln of flow and of restriction, and readings of each flow bin, shape (m,)."""
        table = self.measured.table
        drop_pa = table.bin_column("mean_pa") - learn_zero(table).by_hour_pa[table.bin_hour]
        ln_pa = np.where(drop_pa > LEAST_PA, np.log(np.maximum(drop_pa, LEAST_PA)), np.nan)
        return np.log(np.maximum(bin_flow(table), 1e-9)), ln_pa, table.bin_column("readings")


def features(seen: SeenHours, stop: Stop, others: Iterable[SeenHours]) -> dict[str, float]:
    """Numbers by name. others : the other machines of the fleet, as they have arrived by the same look."""
    b, a = seen.rows(stop)
    made = _of_level(seen, b, a)
    made |= _of_clean(seen, b, a)
    made |= _of_flow(seen, stop)
    made |= _within_hours(seen, stop)
    made |= _of_the_rest(seen, stop, b, a)
    made["fleet_d"] = middle(
        np.array([fall for o in others if np.isfinite(fall := _fall_then(o, stop.to_s))])
    )
    return made


def quantile(values: Floats, share: float) -> float:
    """Of the finite values; NaN: there is none."""
    finite = np.sort(values[np.isfinite(values)])
    if not len(finite):
        return NAN
    place = share * (len(finite) - 1)
    low = int(place)
    return float(finite[low] + (place - low) * (finite[min(low + 1, len(finite) - 1)] - finite[low]))


def middle(values: Floats) -> float:
    """The median of the finite values; NaN: there is none."""
    return quantile(values, 0.5)


def _blocks(ln: Floats) -> Floats:
    """Medians of whole shifts from the first on."""
    whole = np.sort(ln[: len(ln) // SHIFT_H * SHIFT_H].reshape(-1, SHIFT_H), axis=1)
    return np.asarray((whole[:, (SHIFT_H - 1) // 2] + whole[:, SHIFT_H // 2]) / 2)


def _of_level(seen: SeenHours, b: int, a: int) -> dict[str, float]:
    ln = seen.ln
    few, shift, days = (ln[max(0, b - h) : b] for h in (FEW_H, SHIFT_H, DAYS_H))
    few_after, shift_after, after = (ln[a : a + h] for h in (FEW_H, SHIFT_H, AFTER_H))
    newest = ln[max(a, len(ln) - NEWEST_H) :]
    fall = middle(shift) - middle(shift_after)
    way = ln[max(0, b - WAY_H) : b]
    low = np.flatnonzero(way <= middle(shift_after) + NEAR_FALL * max(fall, 0.0))
    return {
        "d3m": middle(few) - middle(few_after),
        "d8m": fall,
        "d8h": quantile(shift, 0.8) - quantile(shift_after, 0.8),
        "d24m": middle(days) - middle(after),
        "gap3": float(np.nanmin(few) - np.nanmax(few_after)),
        "gap8": quantile(shift, 0.1) - quantile(shift_after, 0.9),
        "d_end": middle(shift) - middle(newest),
        "max_after": quantile(after, 0.95) - middle(shift),
        "slope_after": middle(newest) - middle(few_after),
        "noise8": seen.noise,
        "z8": fall / (seen.noise or NAN),
        "sd_after": float(np.nanstd(after)),
        "swelled_h": float(len(way) - low[-1]) if len(low) else WAY_H + 50.0,
    }


def _of_clean(seen: SeenHours, b: int, a: int) -> dict[str, float]:
    before, after = middle(seen.ln[max(0, b - SHIFT_H) : b]), middle(seen.ln[a : a + SHIFT_H])
    newest = middle(seen.ln[max(a, len(seen.ln) - NEWEST_H) :])
    past = _blocks(seen.ln[:b][seen.measured.believed()[:b]])
    kind_pa, limit_pa = expectation_of(seen.facts).kind_clean_pa, seen.facts.terminal_pa
    limit = np.log(limit_pa) if limit_pa else NAN
    return {
        "after_to_lowest": after - float(np.nanmin(past)) if len(past) else NAN,
        "before_to_highest": before - float(np.nanmax(past)) if len(past) else NAN,
        "after_kind": after - float(np.log(kind_pa)) if kind_pa else NAN,
        "after_lim": after - limit,
        "before_lim": before - limit,
        "end_lim": newest - limit,
    }


def _of_flow(seen: SeenHours, stop: Stop) -> dict[str, float]:
    """How restriction answers the flow before and after, and how far it fell at the same flow."""
    kind = seen.measured.reference.flow_kind
    made = {"flow_kind": float(FLOW_KINDS.index(kind)), "exponent": seen.measured.reference.exponent or NAN}
    if kind == "none":
        return made
    first, after = _hours(seen, stop)
    before_, after_ = _line(seen, first - FLOW_BEFORE_H, first), _line(seen, after, after + FLOW_AFTER_H)
    whole, since = _line(seen, 0, first), _line(seen, after, len(seen.measured.table))
    at = after_[3] if np.isfinite(after_[3]) else before_[3]
    return {
        **made,
        "n_b": before_[1],
        "n_a": after_[1],
        "n_all": whole[1],
        "dn": after_[1] - before_[1],
        "dn_all": since[1] - whole[1],
        "fm_shift": before_[0] + before_[1] * at - after_[0] - after_[1] * at,
        "res_a": after_[2],
    }


def _hours(seen: SeenHours, stop: Stop) -> tuple[int, int]:
    """Places in the summaries: the first hour not before a stop, and the first after it."""
    hour_s = seen.measured.table.column("hour_s")
    before = np.searchsorted(hour_s, stop.before_s, side="right")
    return int(before), int(np.searchsorted(hour_s, stop.after_s))


LEAST_BIN, LEAST_BINS = 3, 3  # readings in a bin, and bins of a line
HUBER, ROUNDS = 1.5, 3  # spreads beyond which a bin counts less, and how often it is fitted again


def _line(seen: SeenHours, first: int, end: int) -> tuple[float, float, float, float]:
    """ln restriction over ln flow in some hours: at ln flow 0, slope, spread of the rest, mean ln flow."""
    starts, hours = seen.measured.table.bin_starts, len(seen.measured.table)
    of = slice(starts[max(0, first)], starts[min(hours, end)])
    flow, ln_pa, readings = (column[of] for column in seen.bins)
    use = np.isfinite(ln_pa) & (readings >= LEAST_BIN)
    x, y, weight = flow[use], ln_pa[use], readings[use]
    if len(x) < LEAST_BINS:
        return NAN, NAN, NAN, NAN
    u, slope, rest = weight, NAN, y
    for _ in range(1 + ROUNDS):
        mean_x, mean_y = np.average(x, weights=u), np.average(y, weights=u)
        wide = float(np.sum(u * (x - mean_x) ** 2))
        if wide < 1e-6 * u.sum():
            return float(mean_y), NAN, NAN, float(mean_x)
        slope = float(np.sum(u * (x - mean_x) * (y - mean_y)) / wide)
        rest = y - mean_y - slope * (x - mean_x)
        spread = MAD_TO_SPREAD * float(np.median(np.abs(rest)))
        u = weight * np.minimum(1.0, HUBER * (spread + 1e-4) / np.maximum(np.abs(rest), 1e-9))
    return float(mean_y - slope * mean_x), slope, spread, float(mean_x)


def _within_hours(seen: SeenHours, stop: Stop) -> dict[str, float]:
    """Of the readings of single hours: high ones beside the mean, the highest, those at the lowest flow."""
    first, after = _hours(seen, stop)
    before = _of_hours(seen, first - FLOW_BEFORE_H, first)
    soon, all_since = _of_hours(seen, after, after + FLOW_AFTER_H), _of_hours(seen, after, None)
    highest = (float(np.max(found[1])) if len(found[1]) else NAN for found in (before, all_since))
    return {
        "p90r_d": middle(soon[0]) - middle(before[0]),
        "highest_d": middle(before[1]) - middle(soon[1]),
        "highest_mx": next(highest) - next(highest),
        "lowbin_d": middle(before[2]) - middle(soon[2]),
    }


def _of_hours(seen: SeenHours, first: int, end: int | None) -> tuple[Floats, Floats, Floats]:
    """High over mean at the highest flow, the highest, the mean at the lowest flow; of hours at work. [ln]"""
    table = seen.measured.table
    hours = np.arange(max(0, first), len(table) if end is None else min(len(table), end))
    hours = hours[table.working[hours]]
    zero_pa = learn_zero(table).by_hour_pa[hours]
    top, low = table.bin_starts[hours + 1] - 1, table.bin_starts[hours]
    mean_pa, p90_pa = table.bin_column("mean_pa"), table.bin_column("p90_pa")[top]
    highest_pa = table.column("highest_pa")[hours]
    high, mean, highest, lowest = (
        np.log(np.maximum(pa - zero_pa, LEAST_PA)) for pa in (p90_pa, mean_pa[top], highest_pa, mean_pa[low])
    )
    return high - mean, highest, lowest


OFF_BEFORE_H, AIR_H = 60, 8


def _of_the_rest(seen: SeenHours, stop: Stop, b: int, a: int) -> dict[str, float]:
    """Zero beside the level, the stop, doubts of the analysis, and the air."""
    table, believed = seen.measured.table, seen.measured.believed()
    first, after = _hours(seen, stop)
    off_pa, kelvin = table.column("off_mean_pa"), table.column("temperature_k")
    usual_pa = float(np.exp(middle(seen.ln[max(0, b - DAYS_H) : b])))
    moved_pa = middle(off_pa[after:]) - middle(off_pa[max(0, first - OFF_BEFORE_H) : first])
    return {
        "off_shift_rel": moved_pa / usual_pa,
        "stood_h": (stop.to_s - stop.from_s) / 3600.0,
        "believed_b": float(np.mean(believed[max(0, b - SHIFT_H) : b])),
        "believed_a": float(np.mean(believed[a:])),
        "temperature_k_d": middle(kelvin[max(0, first - AIR_H) : first])
        - middle(kelvin[after : after + AIR_H]),
    }


def _fall_then(other: SeenHours, at_s: float) -> float:
    """By how much the level of another machine fell at an instant; NaN: it hardly worked around it."""
    row = int(np.searchsorted(other.hour_s, at_s))
    before, after = other.ln[max(0, row - SHIFT_H) : row], other.ln[row : row + SHIFT_H]
    if row <= NEWEST_H or len(after) < FEW_H:
        return NAN
    gone = other.hour_s[row - 1] <= at_s - FLEET_DAYS_S or other.hour_s[row] >= at_s + FLEET_DAYS_S
    return NAN if gone else middle(before) - middle(after)
