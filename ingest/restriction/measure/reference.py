"""
From hourly summaries to one comparable number per operating hour: restriction at the reference flow.

One definition for every set of sensors: the level at the limit's flow in the air of the site where the
machine works now, as a gauge there would show it. Density evens out weather and earlier sites, nothing else:
all hours of a housing are stated in one air, and a move scales them alike.
Promises: the result says how it was derived (`Reference.basis`, `density`, `sure`) and never hides a guess.
Leaves to others: which hours belong to which element (`lives`), and what the level means (`assess`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.ndimage import median_filter

from cleanside.gateway.spot_checks import IDLE_RAD_S
from cleanside.ingest.restriction.measure.atmosphere import (
    STANDARD_KG_M3,
    air_density_kg_m3,
    standard_pressure_pa,
    standard_temperature_k,
)
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.summary import (
    EVIDENCE,
    FLOW_KINDS,
    FLOW_KINDS_RANKED,
    BoolArray,
    FloatArray,
    HourSummary,
    IntArray,
    Summaries,
)
from cleanside.ingest.restriction.measure.words import counted

DEFAULT_EXPONENT = 1.5  # between media (1) and ducts (2); used, and reported, where none can be fitted
EXPONENT_RANGE = (1.0, 2.0)  # Darcy-Forchheimer: linear in media and dust cake, quadratic in ducts
SPEED_EXPONENT_MAX = 3.5  # against speed alone the flow itself rises faster than speed (turbocharger)
PROXY_EXPONENTS = (0.8, 3.5)  # what media, ducts and a speed-like proxy can give; else it is no flow
PROXY_EXPLAINS = 0.7  # steps in restriction must shrink to that share once flow is taken out
LEAST_LN_STEP = 0.02  # a flow step below 2 % shows noise, not the exponent
LEAST_PAIRS = 20  # chosen: the median of fewer slopes moves by more than 0.1 at field noise
LEAST_FLOW_SHARE = 0.5  # of the reference flow; scaling from further down multiplies the noise by 3 and more
LEAST_ZERO_READINGS = 1  # the median of ZERO_LEVELS takes the noise; more would blur the hour of a step
ZERO_LEVELS = 9  # the zero of an hour is the median of that many off-levels around it: a step stays a step
ZERO_FIRST_PA = 150.0  # three steps of a 0.05 kPa sensor: a fitted sensor hardly reads more at rest
ZERO_NEAR_PA = (
    60.0  # above what a step of 0.05 kPa leaves; a level further off does not change the usual zero,
)
ZERO_PATIENCE = 400  # until so many in a row agree: then that level is the new usual zero
ZERO_MEMORY = 40.0  # levels over which the usual zero follows a sensor's honest drift
ZERO_RUN, ZERO_STEPS = 2_000, 64  # levels processed at once, as long as all are near; and one by one
ZERO_EDGE = 20  # off-levels at either end whose medians give the drift, at most
SITE_PA = 3_000.0  # weather at one place swings by that (common practice); a larger step is another site
NEWEST_HOURS = 12  # working hours whose median pressure is that of the site (chosen: a day or two)
SITE_HOURS = 500  # newest working hours at the site whose median density is the site's (chosen: an element)
LEAST_SITE_HOURS = 24  # with fewer at the site its full flow is that of the sites before, by volume (chosen)
ODD_PRESSURE_PA = 6_000.0  # off the standard atmosphere: a sensor's fault, not weather; it is not scaled by
HIGH_HOURS = 0.9  # of the working hours reach less than the reference flow; the rest may be overspeed
# Where an engine reaches full flow, the high flows of its hours bunch there: on a truck simulated from
# physics the 98 % point lies 0.7 % above the 90 % point. Where they scatter, full flow lies beyond.
HIGHEST_HOURS, BUNCHED = 0.98, 0.01
BEYOND = 4.0  # times the scatter above BUNCHED; tuned on a made fleet (plateau), where more would overshoot
BEYOND_HOURS = 50.0  # working hours at which half of it counts (chosen: a week)
# How far the level at full flow may be off on all days alike: full flow entered, 1 % of flow; learned, 4 %,
# as a machine may never work at full load; speed says little about load. Chosen; in simulated fleets learned
# full flow, speed and envelope were off by 6, 14 and 15 %.
ENTERED_SPREAD, LEARNED_SPREAD, SPEED_SPREAD, ENVELOPE_SPREAD = 0.015, 0.06, 0.14, 0.15
SPEED_LOAD_SPREAD = 0.08  # how the charge follows the load is assumed, not measured (chosen)
BY_SPEED = ("engine_speed", "speed_load")
#: so much does the noise of a sensor (35 Pa, steps of 50 Pa) lift the 90 % point, and the highest of an hour
HIGH_NOISE_PA, HIGHEST_NOISE_PA = 45.0, 75.0
NOTHING_HOURS, KEY_ON_SHARE = 6, 0.5  # hours in a row, each half seen: no pause is that long (chosen)
_RANKED = tuple(FLOW_KINDS.index(kind) for kind in FLOW_KINDS_RANKED)
FOLLOWS_S = 7200  # hours further apart may have seen another element


@dataclass(frozen=True, kw_only=True)
class Reference:
    """How restriction at the reference flow is derived for one housing."""

    basis: str  # "flow" (scaled by a proxy), "envelope" (upper envelope of each hour) or "none"
    flow_kind: str  # one of FLOW_KINDS
    reference_flow: float | None  # in the proxy's unit
    reference_entered: bool  # by a person; else learned
    entered_unused: str | None  # the proxy of a value that a person entered and that does not fit `flow_kind`
    exponent: float | None
    exponent_spread: float | None  # half the central 68 % of the slopes, over sqrt(pairs)
    exponent_fitted: bool
    zero_pa: float  # sensor reading at rest now; from each hour its own zero is subtracted (`zero_by_hour`)
    zero_drift_pa: float | None  # late off-level minus early off-level
    zero_known: bool
    density: str  # weather evened out: "corrected" (by pressure), "from altitude" or "not corrected"
    site_kg_m3: float | None  # density of the air that levels are stated in; None = not known
    sure: str  # "high", "medium" or "low"
    factor: float = 1.0  # on all levels, from looks at indicator and gauge (`calibration`)

    @property
    def by_speed(self) -> bool:
        """Engine speed alone stands for the flow, so that the level moves with the work too."""
        return self.basis == "flow" and self.flow_kind == "engine_speed"

    @property
    def by_volume(self) -> bool:
        """The flow is known as a volume: by engine speed, with or without the load."""
        return self.basis == "flow" and self.flow_kind in BY_SPEED

    @property
    def of_idle_only(self) -> bool:
        """The highest flow seen is that of idle: the level at work is not known."""
        learned = self.by_volume and not self.reference_entered
        return learned and self.reference_flow is not None and self.reference_flow <= IDLE_RAD_S

    @property
    def standard_air_share(self) -> float:
        """Level in standard air at the same flow, as a share of the level; 1 where it is not known."""
        if self.site_kg_m3 is None:
            return 1.0
        return 1.0 / float(self.evened(np.array([STANDARD_KG_M3 / self.site_kg_m3]))[0])

    def evened(self, density_ratio: FloatArray) -> FloatArray:
        """
        Factor on a level measured in air of so many times the site's density, any shape. [1]

        At a given mass flow both parts go with 1/density. At a given volume flow (speed alone) only the part
        above linear goes with density.
        """
        if self.flow_kind not in BY_SPEED:
            return density_ratio
        assert self.exponent is not None  # by construction, with a flow
        return np.asarray(density_ratio ** -(min(self.exponent, 2.0) - 1.0))

    @property
    def level_spread(self) -> float:
        """Relative standard error that every level of the machine shares, because full flow is not known."""
        if self.basis != "flow":
            return ENVELOPE_SPREAD
        if self.by_speed:
            return SPEED_SPREAD
        if self.flow_kind == "speed_load":
            return SPEED_LOAD_SPREAD
        return ENTERED_SPREAD if self.reference_entered else LEARNED_SPREAD


@dataclass(frozen=True, kw_only=True)
class HourlyRestriction:
    """Restriction at reference flow, one row per hour in which the engine ran. Arrays, shape (n,)."""

    hour_s: FloatArray  # start of the hour, seconds since 1970-01-01 UTC
    operating_s: FloatArray  # engine running in that hour
    restriction_pa: FloatArray
    flow_ratio: FloatArray  # highest flow seen in the hour over the reference flow; NaN without a proxy


def learn_reference(
    summaries: Sequence[HourSummary],
    *,
    reference_flow: float | None = None,
    reference_kind: str | None = None,
) -> Reference:
    """
    Learn zero, exponent and reference flow from the summaries of one housing.

    reference_flow : flow at which the terminal value is stated, in the unit of the flow proxy; None means
        learned: high among the high flows of the working hours, standing for rated speed and load.
    reference_kind : the proxy that `reference_flow` is a value of, one of FLOW_KINDS; where the machine is
        scaled by another proxy the value is not used. None = it is a value of whichever proxy there is.
    """
    table = Summaries.of(summaries)
    zero = learn_zero(table)
    code = _flow_kind(table)
    kind = FLOW_KINDS[code]
    if kind == "none":
        return Reference(
            basis="envelope" if len(table.bins) else "none",
            flow_kind=kind,
            reference_flow=None,
            reference_entered=False,
            entered_unused=None if reference_flow is None else reference_kind or "flow",
            exponent=None,
            exponent_spread=None,
            exponent_fitted=False,
            zero_pa=zero.now_pa,
            zero_drift_pa=zero.drift_pa,
            zero_known=zero.known,
            density="not corrected",
            site_kg_m3=None,
            sure="low",
        )
    mine = table.working & (table.hours["flow_kind"] == code)
    exponent, spread, fitted = _exponent(flow_steps(table), kind)
    entered = reference_flow is not None and reference_kind in (None, kind, *_entered_as(kind))
    density = _density_label(table, mine)
    site = None if density == "not corrected" else _site(table, mine)
    return Reference(
        basis="flow",
        flow_kind=kind,
        reference_flow=reference_flow if entered else _learned_flow(table, mine, site),
        reference_entered=entered,
        entered_unused=None if entered or reference_flow is None else reference_kind,
        exponent=exponent,
        exponent_spread=spread,
        exponent_fitted=fitted,
        zero_pa=zero.now_pa,
        zero_drift_pa=zero.drift_pa,
        zero_known=zero.known,
        density=density,
        site_kg_m3=None if site is None else site.kg_m3,
        sure="high" if fitted and kind == "air_mass_flow" else "medium" if fitted else "low",
    )


def _entered_as(kind: str) -> tuple[str, ...]:
    """Other proxies of the same number: rated speed at full load is full flow by speed and load."""
    return ("engine_speed",) if kind == "speed_load" else ()


def at_reference_flow(summaries: Sequence[HourSummary], reference: Reference) -> HourlyRestriction:
    """
    Restriction at the reference flow in the site's air, for each hour that can be scaled; never a guess.

    summaries : of one housing, in time order.
    Hours without running readings, or whose flow stayed below half the reference flow, are left out.
    With a proxy each hour is the least-squares R of R (Q/Q_ref)^n over its flow bins. Where the load is not
    known it is a high reading, which light work lowers: by engine speed alone the 90 % point at the highest
    speeds, without a proxy the highest of the hour.
    """
    table = Summaries.of(summaries)
    zero_pa = learn_zero(table).by_hour_pa
    if reference.basis != "flow":
        return _envelope(table, zero_pa)
    assert reference.reference_flow is not None  # by construction, with basis "flow"
    assert reference.exponent is not None
    mine = table.hours["flow_kind"] == FLOW_KINDS.index(reference.flow_kind)
    ratio = table.bin_column("flow") / reference.reference_flow
    use = np.flatnonzero(mine[table.bin_hour] & (ratio >= LEAST_FLOW_SHARE))
    hour, n = table.bin_hour[use], len(table.hours)
    factor = ratio[use] ** reference.exponent
    counted = table.bin_column("readings")[use] * factor
    above = np.bincount(hour, counted * (table.bin_column("mean_pa")[use] - zero_pa[hour]), minlength=n)
    below = np.bincount(hour, counted * factor, minlength=n)
    rows = np.flatnonzero(below > 0)
    level = above[rows] / below[rows]
    if reference.by_speed:
        level = _at_high_speed_pa(table, rows, zero_pa, reference.reference_flow, reference.exponent)
    level = level * _density_factor(table, reference)[rows]
    return _hourly(table, rows, level, ratio[table.bin_starts[rows + 1] - 1])  # the last bin is the highest


def _at_high_speed_pa(
    table: Summaries, rows: IntArray, zero_pa: FloatArray, reference_flow: float, exponent: float
) -> FloatArray:
    """The 90 % point at the highest speeds of each hour: there the load is most often a full one."""
    top = table.bin_starts[rows + 1] - 1
    flow = np.fmax(table.column("high_flow")[rows], table.bin_column("flow")[top])
    high_pa = _without_noise_pa(table, top, table.bin_column("p90_pa")[top], HIGH_NOISE_PA)
    return np.asarray((high_pa - zero_pa[rows]) * (reference_flow / flow) ** exponent)


def _without_noise_pa(table: Summaries, bins: IntArray, high_pa: FloatArray, noise_pa: float) -> FloatArray:
    """High readings less what the noise of a sensor adds to them; never below the mean of their bin."""
    return np.maximum(high_pa - noise_pa, np.minimum(table.bin_column("mean_pa")[bins], high_pa))


def _envelope(table: Summaries, zero_pa: FloatArray) -> HourlyRestriction:
    """The highest of each hour at work; 0 where the key was on for hours and nothing was in the stream."""
    rows = np.flatnonzero(table.working | _reads_nothing(table))
    level = np.zeros(len(rows))
    works = table.working[rows]
    first, highest = table.bin_starts[rows[works]], table.column("highest_pa")[rows[works]]
    level[works] = _without_noise_pa(table, first, highest, HIGHEST_NOISE_PA) - zero_pa[rows[works]]
    return _hourly(table, rows, level, np.full(len(rows), np.nan))


def _reads_nothing(table: Summaries) -> BoolArray:
    """
    Hours with the key on in which nothing but a restriction of nothing was measured, shape (n,).

    A tube that is off looks like a standing engine then. Hours count in runs of NOTHING_HOURS, of a machine
    whose engine runs in most hours with the key on.
    """
    by_restriction = np.asarray(table.hours["evidence"] == EVIDENCE.index("restriction"))
    still = by_restriction & ~table.working & (table.hours["seen_share"] >= KEY_ON_SHARE)
    works = by_restriction & table.working
    if not still.any() or works.sum() < NOTHING_HOURS or still.sum() > works.sum():
        return np.zeros(len(table), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(np.int8), [0]))))
    long = np.zeros(len(table), dtype=bool)
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        long[first:end] = end - first >= NOTHING_HOURS
    return long


def _hourly(table: Summaries, rows: IntArray, level: FloatArray, ratio: FloatArray) -> HourlyRestriction:
    return HourlyRestriction(
        hour_s=table.column("hour_s")[rows],
        operating_s=table.column("operating_s")[rows],
        restriction_pa=level,
        flow_ratio=ratio,
    )


def corrected(series: HourlyRestriction, reference: Reference) -> HourlyRestriction:
    """The levels with the factor of a reference."""
    return replace(series, restriction_pa=series.restriction_pa * reference.factor)


@dataclass(frozen=True)
class Zero:
    """What the sensor reads at rest, over time."""

    by_hour_pa: FloatArray  # for each hour of the summaries; 0 where it is not known
    levels_pa: FloatArray  # engine-off levels in time order, smoothed
    usual_pa: FloatArray  # the usual zero before each; faults are not learned from
    level_hour: IntArray  # the hour (place in the summaries) at which each was complete
    drift_pa: float | None  # late levels minus early ones; None below four levels

    @property
    def known(self) -> bool:
        """True if the engine was ever seen off with the sensor powered."""
        return len(self.levels_pa) > 0

    def usual_by_hour_pa(self, hours: int) -> FloatArray:
        """The usual zero at each hour of the summaries, shape (hours,); 0 where it is not known."""
        if not self.known:
            return np.zeros(hours)
        newest = np.searchsorted(self.level_hour, np.arange(hours), side="right") - 1
        return np.asarray(self.usual_pa[np.maximum(newest, 0)])

    @property
    def now_pa(self) -> float:
        """The newest; 0 where it is not known."""
        return float(self.levels_pa[-1]) if self.known else 0.0


def learn_zero(summaries: Sequence[HourSummary]) -> Zero:
    """
    The zero of each hour: the median of the engine-off levels around it, so one odd hour cannot move it.

    It follows a sensor whose zero moves, so that the restriction of the hours after does not fall or rise
    with it.
    """
    table = Summaries.of(summaries)
    return table.once("zero", lambda: _learn_zero(table))


def _learn_zero(table: Summaries) -> Zero:
    levels, at = _off_levels(table)
    if len(levels) == 0:
        return Zero(np.zeros(len(table.hours)), levels, levels, at, None)
    edge = max(1, min(ZERO_EDGE, len(levels) // 4))
    drift = float(np.median(levels[-edge:]) - np.median(levels[:edge])) if len(levels) >= 4 else None
    smooth = _median_around(levels, ZERO_LEVELS)
    newest = np.searchsorted(at, np.arange(len(table.hours)), side="right") - 1
    return Zero(smooth[np.maximum(newest, 0)], smooth, _usual(smooth), at, drift)


def _usual(levels_pa: FloatArray) -> FloatArray:
    """
    The usual zero before each level, shape as given. [Pa]

    A sensor at rest reads about 0, so the first level counts only if it is near 0. The usual zero then
    follows levels near it, and moves to another level only when that has stayed: a fault is not learned from.
    """
    parts: list[FloatArray] = []
    row, usual, away, memory = 0, 0.0, 0, 0.0
    while row < len(levels_pa):
        if memory == ZERO_MEMORY and away == 0:  # as a rule all are near: so many at once
            run = levels_pa[row : row + ZERO_RUN]
            drawn = _drawn(usual, run)
            far = np.flatnonzero(np.abs(run - drawn[:-1]) > ZERO_NEAR_PA)
            many = int(far[0]) if len(far) else len(run)
            parts.append(drawn[:many])
            row, usual = row + many, float(drawn[many])
        result: list[float] = []
        for level in levels_pa[row : row + ZERO_STEPS].tolist():
            result.append(usual)
            memory = min(memory + 1.0, ZERO_MEMORY)
            near_pa = ZERO_NEAR_PA if memory > 1.0 else ZERO_FIRST_PA
            if -near_pa <= level - usual <= near_pa:
                usual, away = usual + (level - usual) / memory, 0
            elif (away := away + 1) > ZERO_PATIENCE:
                usual, away = level, 0
        parts.append(np.array(result))
        row += len(result)
    return np.concatenate(parts)


def _drawn(usual: float, levels_pa: FloatArray) -> FloatArray:
    """The usual zero before each level and after the last, drawn by each as by one of ZERO_MEMORY."""
    fade = (1.0 - 1.0 / ZERO_MEMORY) ** np.arange(len(levels_pa) + 1)
    pulled = np.cumsum(np.concatenate(([0.0], levels_pa / fade[1:]))) / ZERO_MEMORY
    return np.asarray(fade * (usual + pulled))


def _median_around(values: FloatArray, width: int) -> FloatArray:
    """Median over `width` values around each, fewer at the ends; shape as given."""
    half, n = width // 2, len(values)
    result = median_filter(values, size=width, mode="nearest") if n > width else values.copy()
    for row in {*range(min(half, n)), *range(max(0, n - half), n)} if n > width else range(n):
        result[row] = middle(values[max(0, row - half) : row + half + 1])
    return np.asarray(result)


def flow_exponent(ln_flow_step: FloatArray, ln_restriction_step: FloatArray) -> tuple[float, float]:
    """
    The exponent n of restriction ~ flow^n by least absolute deviation, and its spread.

    ln_flow_step, ln_restriction_step : shape (n,), n >= 1, differences of logarithms between two states
        of one element close in time; steps in flow of zero are not allowed. [1]
    The minimiser of sum |dy - n dx| is the median of dy/dx weighted with |dx|.
    """
    slopes, weights = ln_restriction_step / ln_flow_step, np.abs(ln_flow_step)
    low, middle, high = _weighted_quantiles(slopes, weights, (0.16, 0.5, 0.84))
    return middle, (high - low) / 2 / np.sqrt(len(slopes))


@dataclass(frozen=True, kw_only=True)
class FlowFit:
    """How a recorded series goes with a column of flow."""

    exponent: float
    spread: float
    steps: int


def fit_flow(ln_flow_step: FloatArray, ln_restriction_step: FloatArray) -> FlowFit | str:
    """
    The exponent of a column that should go with the flow; or, in words, why it does not.

    ln_flow_step, ln_restriction_step : shape (n,), differences of logarithms from row to row. [1]
    """
    moved = np.abs(ln_flow_step) >= LEAST_LN_STEP
    steps = int(moved.sum())
    if steps < LEAST_PAIRS:
        return (
            f"it hardly moves: {counted(steps, 'step')} of {LEAST_LN_STEP:.0%} and more, {LEAST_PAIRS} needed"
        )
    step = ln_restriction_step[moved]
    exponent, spread = flow_exponent(ln_flow_step[moved], step)
    low, high = PROXY_EXPONENTS
    if not low <= exponent <= high:
        return f"restriction goes with it to the power {exponent:.2f}, a flow gives {low:g} to {high:g}"
    if np.median(np.abs(step - exponent * ln_flow_step[moved])) > PROXY_EXPLAINS * np.median(np.abs(step)):
        return "restriction moves as much with it as without it"
    return FlowFit(exponent=exponent, spread=spread, steps=steps)


def _density_factor(table: Summaries, reference: Reference) -> FloatArray:
    """From the air of each hour to the site's, shape (n,); 1 where either is not known."""
    if reference.site_kg_m3 is None:
        return np.ones(len(table.hours))
    rho = _density_kg_m3(table, by_boost=reference.flow_kind == "speed_density")
    return reference.evened(np.where(np.isnan(rho), 1.0, rho / reference.site_kg_m3))


class _Site(NamedTuple):
    """Where a machine works now."""

    kg_m3: float  # median density over its newest hours there
    hours: BoolArray  # working hours there, shape (n,)


def _site(table: Summaries, working: BoolArray) -> _Site:
    """The site of the newest working hours whose air is known; at least one such hour is needed."""
    pressure, rho = _pressure_pa(table, by_boost=False), _density_kg_m3(table, by_boost=False)
    dated = np.flatnonzero(working & ~np.isnan(rho))
    now_pa = middle(pressure[dated[-NEWEST_HOURS:]])
    at_site = dated[np.abs(pressure[dated] - now_pa) <= SITE_PA]
    hours = np.zeros(len(table.hours), dtype=bool)
    hours[at_site] = True
    return _Site(middle(rho[at_site[-SITE_HOURS:]]), hours)


def _pressure_pa(table: Summaries, *, by_boost: bool) -> FloatArray:
    """Ambient, of each hour, shape (n,); from the altitude where it is absent or odd; NaN: not known."""
    pressure = table.column("ambient_pressure_pa")
    standard_pa = standard_pressure_pa(table.column("altitude_m"))
    odd = np.abs(pressure - standard_pa) > (np.inf if by_boost else ODD_PRESSURE_PA)
    return np.where(np.isnan(pressure) | odd, standard_pa, pressure)


def _density_kg_m3(table: Summaries, *, by_boost: bool) -> FloatArray:
    """
    Of each hour, shape (n,); NaN where neither pressure nor altitude is known.

    by_boost : the flow was made from the same pressure, so that its error is in both and partly cancels.
    """
    kelvin = table.column("temperature_k")
    usual = standard_temperature_k(np.nan_to_num(table.column("altitude_m"), nan=0.0))
    return air_density_kg_m3(
        _pressure_pa(table, by_boost=by_boost), np.where(np.isnan(kelvin), usual, kelvin)
    )


def _density_label(table: Summaries, working: BoolArray) -> str:
    """Corrected only if nearly every hour can be: a mixture would put steps into the series."""
    if np.mean(~np.isnan(table.column("ambient_pressure_pa")[working])) > 0.9:
        return "corrected"
    if np.mean(~np.isnan(_density_kg_m3(table, by_boost=False)[working])) > 0.9:
        return "from altitude"
    return "not corrected"


def _off_levels(table: Summaries) -> tuple[FloatArray, IntArray]:
    """
    Engine-off levels in time order [Pa], each the mean of at least `LEAST_ZERO_READINGS` readings, and the
    hour at which each was complete.

    A slow monitor sees the engine off once or twice at each key-on: such hours are taken together.
    """
    off_pa, count = table.column("off_mean_pa"), table.hours["off_count"]
    hours = np.flatnonzero(~np.isnan(off_pa))
    if np.all(count[hours] >= LEAST_ZERO_READINGS):
        return off_pa[hours], hours
    levels: list[float] = []
    at: list[int] = []
    seen, total_pa = 0, 0.0
    for hour, many, mean_pa in zip(
        hours.tolist(), count[hours].tolist(), off_pa[hours].tolist(), strict=True
    ):
        seen, total_pa = seen + many, total_pa + many * mean_pa
        if seen >= LEAST_ZERO_READINGS:
            levels.append(total_pa / seen)
            at.append(hour)
            seen, total_pa = 0, 0.0
    return np.array(levels), np.array(at, dtype=np.int64)


def _flow_kind(table: Summaries) -> int:
    """Place in FLOW_KINDS of the best proxy that half of the working hours have, else the commonest."""
    count = np.bincount(table.hours["flow_kind"][table.working], minlength=len(FLOW_KINDS))
    half = [code for code in _RANKED if 2 * count[code] >= max(1, count.sum())]
    return half[-1] if half else int(np.argmax(count))


def _learned_flow(table: Summaries, working: BoolArray, site: _Site | None) -> float:
    """
    High among the high flows of the working hours, of those at the site where it is known.

    Soon after a move the flows of all sites count, at the site's density: an engine at full speed and load
    draws about the same volume anywhere.
    """
    high = table.column("high_flow")
    if site is not None and FLOW_KINDS[_flow_kind(table)] not in BY_SPEED:
        if site.hours.sum() >= LEAST_SITE_HOURS:
            working = site.hours
        else:
            rho = _density_kg_m3(table, by_boost=False)
            high = high * np.where(np.isnan(rho), 1.0, site.kg_m3 / rho)
    weights = np.maximum(table.column("operating_s")[working], 1.0)  # 0 where an hour is a single reading
    usual, highest = _weighted_quantiles(high[working], weights, (HIGH_HOURS, HIGHEST_HOURS))
    scatter = max(highest / usual - 1.0 - BUNCHED, 0.0) if usual > 0 else 0.0
    hours = int(working.sum())
    return usual * (1.0 + BEYOND * scatter * hours / (hours + BEYOND_HOURS))


class FlowSteps(NamedTuple):
    """Steps between flow bins of one hour, or between hours that follow each other. Shape (n,)."""

    ln_flow: FloatArray
    ln_drop: FloatArray
    hour: IntArray  # of the lower flow: place in the summaries
    low_pa: FloatArray  # the lower of the two restrictions


def flow_steps(summaries: Sequence[HourSummary]) -> FlowSteps:
    """The steps that show how restriction goes with the flow; none without a flow proxy."""
    table = Summaries.of(summaries)
    return table.once("flow steps", lambda: _flow_steps(table))


def _flow_steps(table: Summaries) -> FlowSteps:
    code = _flow_kind(table)
    mine = table.working & (table.hours["flow_kind"] == code) & (FLOW_KINDS[code] != "none")
    flow, hour = table.bin_column("flow"), table.bin_hour
    above_pa = table.bin_column("mean_pa") - learn_zero(table).by_hour_pa[hour]
    valid = np.flatnonzero(mine[hour] & (above_pa > 0) & (flow > 0))
    ln_flow, ln_drop = np.log(flow[valid]), np.log(above_pa[valid])
    owner = hour[valid]
    count = np.bincount(owner, minlength=len(table.hours))
    top = np.cumsum(count) - 1  # of each hour with a valid bin: the place of its highest
    # Each lower bin of an hour goes with its highest one;
    low = np.flatnonzero(np.arange(len(valid)) != top[owner])
    high = top[owner[low]]
    # the only bin of an hour goes with each bin of the hour before.
    near = np.flatnonzero(mine)
    following = np.full(len(table.hours), -1)
    following[near[:-1]] = np.where(
        (np.diff(table.hours["hour_s"][near]) <= FOLLOWS_S) & (count[near[1:]] == 1), near[1:], -1
    )
    before = np.flatnonzero(following[owner] >= 0)
    low = np.concatenate((low, before))
    high = np.concatenate((high, top[following[owner[before]]]))
    step = ln_flow[high] - ln_flow[low]
    use = np.abs(step) >= LEAST_LN_STEP
    low, high = low[use], high[use]
    least_pa = np.minimum(above_pa[valid[low]], above_pa[valid[high]])
    return FlowSteps(step[use], ln_drop[high] - ln_drop[low], owner[low], least_pa)


def _exponent(steps: FlowSteps, kind: str) -> tuple[float, float | None, bool]:
    if len(steps.hour) < LEAST_PAIRS:
        return DEFAULT_EXPONENT, None, False
    fitted, spread = flow_exponent(steps.ln_flow, steps.ln_drop)
    top = SPEED_EXPONENT_MAX if kind in BY_SPEED else EXPONENT_RANGE[1]
    return float(np.clip(fitted, EXPONENT_RANGE[0], top)), float(spread), True


def _weighted_quantiles(values: FloatArray, weights: FloatArray, points: Sequence[float]) -> list[float]:
    order = np.argsort(values)  # equal values may come in any order: the result is the same
    total = np.cumsum(weights[order])
    return [float(values[order[np.searchsorted(total, q * total[-1])]]) for q in points]
