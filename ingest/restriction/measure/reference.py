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
from cleanside.ingest.restriction.measure.load_response import (
    FittedResponse,
    WorkSteps,
    fit_response,
    usual_response,
)
from cleanside.ingest.restriction.measure.ranks import middle, weighted_quantiles
from cleanside.ingest.restriction.measure.shortfall import ExpectedShortfall, Shortfalls
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
from cleanside.ingest.restriction.measure.tuning import FLOW
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
# How far the level may be off on all days alike though full flow is entered: an air mass meter is good to 3 %
# of flow (common practice)
ENTERED_SPREAD = 0.035
BY_SPEED = ("engine_speed", "speed_load")
#: so much does the noise of a sensor (35 Pa, steps of 50 Pa) lift the 90 % point, and the highest of an hour
HIGH_NOISE_PA, HIGHEST_NOISE_PA = 45.0, 75.0
NOTHING_HOURS, KEY_ON_SHARE = 6, 0.5  # hours in a row, each half seen: no pause is that long (chosen)
IS_FLOW = (1.0, 0.001)  # the exponent of a measured flow to the flow, and how sure that is
NO_FLEET = Shortfalls()
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
    #: of ln(level), where the load says what full flow is; None = it does not
    response_spread: float | None = None
    #: what machines of the fleet stay below full flow, and its spread: of ln(flow) where a measured flow has
    #: a learned reference, else of ln(level); 0 where full flow is known
    short: tuple[float, float] = (0.0, 0.0)

    @property
    def by_speed(self) -> bool:
        """Engine speed alone stands for the flow, so that the level moves with the work too."""
        return self.basis == "flow" and self.flow_kind == "engine_speed"

    @property
    def by_volume(self) -> bool:
        """The flow is known as a volume: by engine speed, with or without the load."""
        return self.basis == "flow" and self.flow_kind in BY_SPEED

    @property
    def full_flow_known(self) -> bool:
        """A person entered it, or the load says it; by speed alone neither does."""
        by_flow = self.basis == "flow" and not self.by_speed
        return by_flow and (self.reference_entered or self.response_spread is not None)

    @property
    def raised(self) -> float:
        """Factor on all levels for what such machines stay below full flow; 1 where full flow is known."""
        by_flow = self.basis == "flow" and not self.by_speed
        power = self.exponent if by_flow and self.exponent is not None else 1.0
        return float(np.exp(power * self.short[0]))

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
        if self.basis != "flow" or self.by_speed:
            return self.short[1]
        if self.response_spread is not None:
            return self.response_spread
        if self.reference_entered:
            return ENTERED_SPREAD
        assert self.exponent is not None  # by construction, with a flow
        return float(np.hypot(ENTERED_SPREAD, self.exponent * self.short[1]))

    @property
    def met_share(self) -> float:
        """
        Share of the variance of ln(level) that an indicator on the housing sees too, 0 to 1.

        It meets what the monitor meets: what lies between that and full flow shows on neither.
        """
        if self.full_flow_known or self.level_spread <= 0:
            return 1.0
        return min(1.0, (ENTERED_SPREAD / self.level_spread) ** 2)


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
    shortfalls: Shortfalls = NO_FLEET,
    machine_kind: str = "",
) -> Reference:
    """
    Learn zero, exponent and reference flow from the summaries of one housing.

    reference_flow : flow at which the terminal value is stated, in the unit of the flow proxy; None means
        learned: high among the high flows of the working hours, standing for rated speed and load.
    reference_kind : the proxy that `reference_flow` is a value of, one of FLOW_KINDS; where the machine is
        scaled by another proxy the value is not used. None = it is a value of whichever proxy there is.
    shortfalls, machine_kind : what machines of the fleet and of this kind stay below full flow; it counts
        where full flow is not known.
    """
    table = Summaries.of(summaries)
    zero = learn_zero(table)
    short = shortfalls.expected(machine_kind)
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
            short=short.level,
        )
    mine = table.working & (table.hours["flow_kind"] == code)
    exponent, spread, fitted = _exponent(flow_steps(table), kind)
    entered = reference_flow is not None and reference_kind in (None, kind, *_entered_as(kind))
    density = _density_label(table, mine)
    site = None if density == "not corrected" else _site(table, mine)
    full = _full_flow(table, reference_flow if entered else None, site, exponent, short)
    return Reference(
        basis="flow",
        flow_kind=kind,
        reference_flow=full.flow,
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
        response_spread=full.response_spread,
        short=full.short,
    )


class _FullFlow(NamedTuple):
    """The flow at which the limit is meant, in the unit of the flow proxy, and how unsure the level is."""

    flow: float
    response_spread: float | None = None  # see `Reference`
    short: tuple[float, float] = (0.0, 0.0)


def _full_flow(
    table: Summaries, entered: float | None, site: _Site | None, exponent: float, short: ExpectedShortfall
) -> _FullFlow:
    fitted = load_response(table)
    if fitted is not None:
        rated = fitted.response.top_rad_s if entered is None else entered
        flow = float(fitted.response.flow(np.array(rated), np.array(1.0)))
        return _FullFlow(flow, _response_spread(table, fitted, exponent, flow))
    if FLOW_KINDS[_flow_kind(table)] == "engine_speed":
        return _FullFlow(_flow_met(table, site) if entered is None else entered, short=short.level)
    if entered is not None:
        return _FullFlow(entered)
    if (by_load := _full_by_load(table)) is not None:
        return _FullFlow(by_load[0], _response_spread(table, by_load[1], exponent, by_load[0]))
    return _FullFlow(_flow_met(table, site) * float(np.exp(short.flow[0])), short=short.flow)


def _response_spread(table: Summaries, fitted: FittedResponse, exponent: float, full_flow: float) -> float:
    """
    Standard error of ln(level at full flow) where the load says what full flow is. [1]

    What the fit says, what no law says of one engine, and a share of what lies between the work seen and full
    flow: a waste gate may open there.
    """
    mine = _newest(table, _bins_of_kind(table, _flow_kind(table)), FLOW.top_hours)
    flow = bin_flow(table)
    near = mine & (flow >= LEAST_FLOW_SHARE * full_flow)
    use = near if near.any() else mine
    speed, load = table.bin_column("speed_rad_s")[use], table.bin_column("load")[use]
    [high] = weighted_quantiles(flow[use], table.bin_column("readings")[use], (FLOW.top_share,))
    beyond = FLOW.unseen_level * exponent * max(float(np.log(full_flow / high)), 0.0)
    return float(np.sqrt(FLOW.law_spread**2 + fitted.spread(speed, load, exponent) ** 2 + beyond**2))


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
    beyond = float(np.exp(reference.short[0]))  # by a measured flow it is in the reference flow
    if reference.basis != "flow":
        high = _envelope(table, zero_pa)
        return replace(high, restriction_pa=beyond * high.restriction_pa)
    assert reference.reference_flow is not None  # by construction, with basis "flow"
    assert reference.exponent is not None
    mine = table.hours["flow_kind"] == FLOW_KINDS.index(reference.flow_kind)
    ratio = bin_flow(table) / reference.reference_flow
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
        level = beyond * level
    level = level * _density_factor(table, reference)[rows]
    return _hourly(table, rows, level, _highest(table, ratio)[rows])


def _highest(table: Summaries, of_bins: FloatArray) -> FloatArray:
    """The highest of the bins of each hour, shape (hours,); 0 where the engine did not run."""
    highest = np.zeros(len(table))
    highest[table.working] = np.maximum.reduceat(of_bins, table.bin_starts[:-1][table.working])
    return highest


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


def envelope_of(summaries: Sequence[HourSummary]) -> HourlyRestriction:
    """What the hours of a machine would show without a flow proxy, less the zero."""
    table = Summaries.of(summaries)
    return _envelope(table, learn_zero(table).by_hour_pa)


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
    low, middle, high = weighted_quantiles(slopes, weights, (0.16, 0.5, 0.84))
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


def flow_met(summaries: Sequence[HourSummary]) -> float:
    """The highest flow that the work of a machine with a flow proxy met, in the proxy's unit."""
    table = Summaries.of(summaries)
    mine = table.working & (table.hours["flow_kind"] == _flow_kind(table))
    site = None if _density_label(table, mine) == "not corrected" else _site(table, mine)
    return _flow_met(table, site)


def _flow_met(table: Summaries, site: _Site | None) -> float:
    """
    High among the high flows of the working hours, of those at the site where it is known.

    Soon after a move the flows of all sites count, at the site's density: an engine at full speed and load
    draws about the same volume anywhere.
    """
    working = table.working & (table.hours["flow_kind"] == _flow_kind(table))
    high = _high_flows(table)
    if site is not None and FLOW_KINDS[_flow_kind(table)] not in BY_SPEED:
        if site.hours.sum() >= LEAST_SITE_HOURS:
            working = site.hours
        else:
            rho = _density_kg_m3(table, by_boost=False)
            high = high * np.where(np.isnan(rho), 1.0, site.kg_m3 / rho)
    weights = np.maximum(table.column("operating_s")[working], 1.0)  # 0 where an hour is a single reading
    usual, highest = weighted_quantiles(high[working], weights, (HIGH_HOURS, HIGHEST_HOURS))
    scatter = max(highest / usual - 1.0 - BUNCHED, 0.0) if usual > 0 else 0.0
    hours = int(working.sum())
    return usual * (1.0 + BEYOND * scatter * hours / (hours + BEYOND_HOURS))


def _high_flows(table: Summaries) -> FloatArray:
    """The high flow of each hour, shape (n,); by speed and load as the engine answers them."""
    high = table.column("high_flow")
    if load_response(table) is None:
        return high
    sorted_by = _highest(table, table.bin_column("flow"))
    return high * np.divide(
        _highest(table, bin_flow(table)), sorted_by, out=np.ones(len(table)), where=sorted_by > 0
    )


def load_response(summaries: Sequence[HourSummary]) -> FittedResponse | None:
    """How the flow of this machine answers speed and load; None where these are not its flow proxy."""
    table = Summaries.of(summaries)
    return table.once("load response", lambda: _load_response(table))


def _load_response(table: Summaries) -> FittedResponse | None:
    code = _flow_kind(table)
    work = _work(table, code)
    # Hours of an earlier release do not know speed and load apart: its law holds until all hours do.
    if FLOW_KINDS[code] != "speed_load" or work is None:
        return None
    if len(work.pairs.hour) < LEAST_PAIRS:
        return usual_response(work.top_rad_s)
    return fit_response(work.steps(table, work.pairs.ln_drop), work.top_rad_s)


class _Work(NamedTuple):
    """What speed and load the bins of a flow proxy have, in the newest hours."""

    top_rad_s: float
    pairs: _Pairs

    def steps(self, table: Summaries, ln_drop: FloatArray) -> WorkSteps:
        speed, load = table.bin_column("speed_rad_s"), table.bin_column("load")
        low, high, hours = self.pairs.low, self.pairs.high, len(np.unique(self.pairs.hour))
        return WorkSteps(speed[low], load[low], speed[high], load[high], ln_drop, hours)


def _work(table: Summaries, code: int) -> _Work | None:
    """None where not all bins of that proxy know both."""
    mine = _bins_of_kind(table, code)
    speed, load = table.bin_column("speed_rad_s"), table.bin_column("load")
    if not mine.any() or np.any(np.isnan(speed[mine] + load[mine])) or not np.all(speed[mine] > 0):
        return None
    pairs = _pairs(table, _newest(table, mine, FLOW.fit_hours), table.bin_column("flow"))
    return _Work(_top_speed(table, _newest(table, mine, FLOW.top_hours)), pairs)


def _full_by_load(table: Summaries) -> tuple[float, FittedResponse] | None:
    """Full flow by a measured flow and how it answers speed and load; None where it does not show."""
    code = _flow_kind(table)
    work = _work(table, code) if FLOW_KINDS[code] in ("speed_density", "air_mass_flow") else None
    if work is None or len(work.pairs.hour) < LEAST_PAIRS:
        return None
    flow, (low, high) = table.bin_column("flow"), work.pairs[:2]
    fitted = fit_response(work.steps(table, np.log(flow[high] / flow[low])), work.top_rad_s, IS_FLOW)
    use = np.unique(high)  # the highest bin of each hour
    speed, load = table.bin_column("speed_rad_s")[use], table.bin_column("load")[use]
    return work.top_rad_s * middle(flow[use] / fitted.response.flow(speed, load)), fitted


def _top_speed(table: Summaries, mine: BoolArray) -> float:
    """High among the speeds under load: without load a governor lets the engine turn faster. [rad/s]"""
    loaded = mine & (table.bin_column("load") >= FLOW.loaded)
    use = loaded if loaded.any() else mine
    [top] = weighted_quantiles(
        table.bin_column("speed_rad_s")[use], table.bin_column("readings")[use], (FLOW.top_share,)
    )
    return top


def bin_flow(table: Summaries) -> FloatArray:
    """The flow of each bin by the flow proxy, shape (m,); by speed and load as the engine answers them."""
    return table.once("bin flow", lambda: _bin_flow(table))


def _bin_flow(table: Summaries) -> FloatArray:
    fitted = load_response(table)
    if fitted is None:
        return table.bin_column("flow")
    flow = fitted.response.flow(table.bin_column("speed_rad_s"), table.bin_column("load"))
    mine = _bins_of_kind(table, FLOW_KINDS.index("speed_load"))
    return np.where(mine, flow, table.bin_column("flow"))


def _newest(table: Summaries, mine: BoolArray, hours: int) -> BoolArray:
    """Of some bins those of the newest hours that have one, shape (m,)."""
    of_hour = np.flatnonzero(np.bincount(table.bin_hour[mine], minlength=len(table)))
    first = of_hour[-hours:][:1]
    return mine & (table.bin_hour >= first[0]) if len(first) else mine


def _bins_of_kind(table: Summaries, code: int) -> BoolArray:
    """Bins of the hours whose flow proxy has that place in FLOW_KINDS, shape (m,)."""
    return np.asarray((table.hours["flow_kind"] == code)[table.bin_hour])


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
    code, flow = _flow_kind(table), bin_flow(table)
    mine = _bins_of_kind(table, code) & (FLOW_KINDS[code] != "none")
    pairs = _pairs(table, mine, flow)
    step = np.log(flow[pairs.high]) - np.log(flow[pairs.low])
    use = np.abs(step) >= LEAST_LN_STEP
    return FlowSteps(step[use], pairs.ln_drop[use], pairs.hour[use], pairs.least_pa[use])


class _Pairs(NamedTuple):
    """Two bins of one hour, or of hours that follow each other. Shape (n,)."""

    low: IntArray  # place among the bins
    high: IntArray
    hour: IntArray  # of the lower one: place in the summaries
    ln_drop: FloatArray  # of restriction, from the lower one to the higher one
    least_pa: FloatArray  # the lower of the two restrictions


def _pairs(table: Summaries, mine: BoolArray, flow: FloatArray) -> _Pairs:
    """Each lower bin of an hour with its highest; the only bin of an hour with each of the hour before."""
    hour = table.bin_hour
    above_pa = table.bin_column("mean_pa") - learn_zero(table).by_hour_pa[hour]
    valid = np.flatnonzero(mine & (above_pa > 0) & (flow > 0))
    owner = hour[valid]
    count = np.bincount(owner, minlength=len(table.hours))
    highest = np.zeros(len(table.hours))
    np.maximum.at(highest, owner, flow[valid])
    top = np.zeros(
        len(table.hours), dtype=np.int64
    )  # of each hour with a valid bin: the place of its highest
    is_top = np.flatnonzero(flow[valid] == highest[owner])
    top[owner[is_top]] = is_top
    low = np.flatnonzero(np.arange(len(valid)) != top[owner])
    high = top[owner[low]]
    near = np.flatnonzero(np.bincount(hour[mine], minlength=len(table.hours)) > 0)
    following = np.full(len(table.hours), -1)
    following[near[:-1]] = np.where(
        (np.diff(table.hours["hour_s"][near]) <= FOLLOWS_S) & (count[near[1:]] == 1), near[1:], -1
    )
    before = np.flatnonzero(following[owner] >= 0)
    low, high = (
        valid[np.concatenate((low, before))],
        valid[np.concatenate((high, top[following[owner[before]]]))],
    )
    ln_drop = np.log(above_pa[high]) - np.log(above_pa[low])
    return _Pairs(low, high, hour[low], ln_drop, np.minimum(above_pa[low], above_pa[high]))


def _exponent(steps: FlowSteps, kind: str) -> tuple[float, float | None, bool]:
    if len(steps.hour) < LEAST_PAIRS:
        return DEFAULT_EXPONENT, None, False
    fitted, spread = flow_exponent(steps.ln_flow, steps.ln_drop)
    top = SPEED_EXPONENT_MAX if kind in BY_SPEED else EXPONENT_RANGE[1]
    return float(np.clip(fitted, EXPONENT_RANGE[0], top)), float(spread), True
