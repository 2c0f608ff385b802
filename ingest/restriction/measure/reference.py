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
from functools import cached_property
from typing import NamedTuple

import numpy as np

from cleanside.gateway.spot_checks import IDLE_RAD_S
from cleanside.ingest.restriction.measure.atmosphere import (
    STANDARD_KG_M3,
)
from cleanside.ingest.restriction.measure.exponent import LEAST_PAIRS, flow_exponent
from cleanside.ingest.restriction.measure.flow_pairs import (
    FlowBins,
    FlowSteps,
    Pairs,
    flow_steps_of,
    pairs_of,
)
from cleanside.ingest.restriction.measure.held import in_ratios, in_steps
from cleanside.ingest.restriction.measure.known_hours import Beside, Rows, hour_by_hour
from cleanside.ingest.restriction.measure.load_response import (
    FittedResponse,
    WorkSteps,
    fit_response,
    usual_response,
)
from cleanside.ingest.restriction.measure.ranks import middle, weighted_quantiles
from cleanside.ingest.restriction.measure.shortfall import ExpectedShortfall, Shortfalls
from cleanside.ingest.restriction.measure.site_air import Site, density_kg_m3, density_label, site_of
from cleanside.ingest.restriction.measure.summary import (
    EVIDENCE,
    FLOW_KINDS,
    FLOW_KINDS_RANKED,
    HOUR_S,
    BoolArray,
    FloatArray,
    HourSummary,
    IntArray,
    Summaries,
)
from cleanside.ingest.restriction.measure.tuning import FLOW, HELD
from cleanside.ingest.restriction.measure.zero import learn_zero, still_falls

DEFAULT_EXPONENT = 1.5  # between media (1) and ducts (2); used, and reported, where none can be fitted
#: linear in media and dust cake, quadratic in ducts (Darcy; Forchheimer (1901), from memory)
EXPONENT_RANGE = (1.0, 2.0)
SPEED_EXPONENT_MAX = 3.5  # chosen: against speed alone the flow itself rises faster than speed (turbocharger)
#: of the reference flow (chosen: scaling from further down multiplies the noise by 3 and more)
LEAST_FLOW_SHARE = 0.5
LEAST_SITE_HOURS = 24  # with fewer at the site its full flow is that of the sites before, by volume (chosen)
HIGH_HOURS = 0.9  # of the working hours reach less than the reference flow (chosen: more may be overspeed)
# Where an engine reaches full flow, the high flows of its hours bunch there: on a truck simulated from
# physics the 98 % point lies 0.7 % above the 90 % point. Where they scatter, full flow lies beyond.
HIGHEST_HOURS, BUNCHED = 0.98, 0.01
BEYOND = 4.0  # times the scatter above BUNCHED; tuned on a made fleet (plateau), where more would overshoot
BEYOND_HOURS = 50.0  # working hours at which half of it counts (chosen: a week)
# How far the level may be off on all days alike though full flow is entered: an air mass meter is good to 3 %
# of flow (common practice)
ENTERED_SPREAD = 0.035
#: the same where the gauge lags: of the means of hours over true levels on made fleets (moor, forest)
LAG_SPREAD = 0.15
BY_SPEED = ("engine_speed", "speed_load")
#: so much does the noise of a sensor (35 Pa, steps of 50 Pa) lift the 90 % point (arithmetic: 1.28 x 35), and
#: the highest of an hour (chosen: one and a half steps)
HIGH_NOISE_PA, HIGHEST_NOISE_PA = 45.0, 75.0
NOTHING_HOURS, KEY_ON_SHARE = 6, 0.5  # hours in a row, each half seen: no pause is that long (chosen)
IS_FLOW = (1.0, 0.001)  # the exponent of a measured flow to the flow, and how sure that is
NO_FLEET = Shortfalls()
_RANKED = tuple(FLOW_KINDS.index(kind) for kind in FLOW_KINDS_RANKED)


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
    #: the gauge follows slower than the work moves
    gauge_lags: bool = False

    @property
    def scale(self) -> tuple[object, ...]:
        """All that the level of an hour goes by beside the hour and its zero, with basis "flow"."""
        by_flow = self.flow_kind, self.reference_flow, self.exponent, self.by_means
        return *by_flow, self.site_kg_m3, self.short

    @property
    def by_speed(self) -> bool:
        """Engine speed alone stands for the flow, so that the level moves with the work too."""
        return self.basis == "flow" and self.flow_kind == "engine_speed"

    @property
    def by_means(self) -> bool:
        """A level is the mean restriction of an hour over that of its flow: the gauge lags behind it."""
        return self.gauge_lags and self.basis == "flow" and not self.by_speed

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
        """Relative standard error that every level shares: of full flow, and of a gauge that lags."""
        return (
            float(np.hypot(self._full_flow_spread, LAG_SPREAD)) if self.gauge_lags else self._full_flow_spread
        )

    @property
    def _full_flow_spread(self) -> float:
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
        met = np.hypot(ENTERED_SPREAD, LAG_SPREAD) if self.gauge_lags else ENTERED_SPREAD
        return float(min(1.0, (met / self.level_spread) ** 2))


@dataclass(frozen=True, kw_only=True)
class HourlyRestriction:
    """Restriction at reference flow, one row per hour in which the engine ran. Arrays, shape (n,)."""

    hour_s: FloatArray  # start of the hour, seconds since 1970-01-01 UTC
    operating_s: FloatArray  # engine running in that hour
    restriction_pa: FloatArray
    flow_ratio: FloatArray  # highest flow seen in the hour over the reference flow; NaN without a proxy

    @cached_property
    def operating_h(self) -> FloatArray:
        """
        Operating hours of each row, shape (n,). [h]

        Where nearly every row comes from a single reading (an hourly series), the reading does not show how
        long the engine ran; each row then counts as one hour.
        """
        if len(self.operating_s) and np.mean(self.operating_s <= 0) > 0.5:
            return np.ones(len(self.operating_s))
        return np.maximum(self.operating_s, 0.0) / HOUR_S


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
    kind, falls = FLOW_KINDS[code], bool(still_falls(table).any())
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
            gauge_lags=falls,
        )
    mine = table.working & (table.hours["flow_kind"] == code)
    exponent, spread, fitted = _exponent(flow_steps(table), kind)
    lags = falls and (kind == "engine_speed" or (fitted and exponent <= EXPONENT_RANGE[0]))
    if lags and kind != "engine_speed":
        (exponent, spread), fitted = FLOW.exponent, False
    entered = reference_flow is not None and reference_kind in (None, kind, *_entered_as(kind))
    density = density_label(table, mine)
    site = None if density == "not corrected" else site_of(table, mine)
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
        gauge_lags=lags,
    )


class _FullFlow(NamedTuple):
    """The flow at which the limit is meant, in the unit of the flow proxy, and how unsure the level is."""

    flow: float
    response_spread: float | None = None  # see `Reference`
    short: tuple[float, float] = (0.0, 0.0)


def _full_flow(
    table: Summaries, entered: float | None, site: Site | None, exponent: float, short: ExpectedShortfall
) -> _FullFlow:
    fitted = load_response(table)
    if fitted is not None:
        rated = fitted.response.top_rad_s if entered is None else entered
        flow = float(fitted.response.flow(np.array(rated), np.array(1.0)))
        return _FullFlow(flow, _response_spread(table, fitted, exponent, flow))
    if FLOW_KINDS[_flow_kind(table)] == "engine_speed":
        met = _held_speed(_flow_met(table, site)) if entered is None else entered
        return _FullFlow(met, short=short.level)
    if entered is not None:
        return _FullFlow(entered)
    if (by_load := _full_by_load(table)) is not None:
        flow = in_ratios(by_load[0], HELD.flow_ratio)
        return _FullFlow(flow, _response_spread(table, by_load[1], exponent, flow))
    met = _flow_met(table, site) * float(np.exp(short.flow[0]))
    return _FullFlow(in_ratios(met, HELD.flow_ratio), short=short.flow)


def _held_speed(speed_rad_s: float) -> float:
    return max(in_steps(speed_rad_s, HELD.speed_step), HELD.speed_step)


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
    if reference.basis != "flow":
        high = _envelope(table, zero_pa)
        return replace(high, restriction_pa=float(np.exp(reference.short[0])) * high.restriction_pa)
    fitted, flow = load_response(table), bin_flow(table)
    rests_on = reference.scale, None if fitted is None else fitted.response

    def from_hour(first: int) -> Rows:
        rest = table.since(first)
        return _at_flow(rest, flow[table.bin_starts[first] :], zero_pa[first:], reference)

    made = hour_by_hour(table, "levels", Beside(rests_on, (zero_pa,)), from_hour)
    level, highest = made.values
    return _hourly(table, made.place, level, highest)


def _at_flow(table: Summaries, flow: FloatArray, zero_pa: FloatArray, reference: Reference) -> Rows:
    """
    The hours that can be scaled, their levels and highest flow ratios; each by its hour and `scale` alone.

    A gauge that lags reads low at a peak of flow and high after it, and right in the mean of an hour: there
    all bins count, those of low flow too, each by its readings.
    flow : of each bin. zero_pa : of each hour.
    """
    assert reference.reference_flow is not None  # by construction, with basis "flow"
    assert reference.exponent is not None
    beyond = float(np.exp(reference.short[0]))  # by a measured flow it is in the reference flow
    mine = table.hours["flow_kind"] == FLOW_KINDS.index(reference.flow_kind)
    ratio = flow / reference.reference_flow
    highest = _highest(table, ratio)
    met = highest[table.bin_hour] if reference.by_means else ratio
    use = np.flatnonzero(mine[table.bin_hour] & (met >= LEAST_FLOW_SHARE))
    hour, n = table.bin_hour[use], len(table.hours)
    if reference.by_speed:
        rows = np.flatnonzero(np.bincount(hour, minlength=n) > 0)
        level = _at_high_speed_pa(table, rows, zero_pa, reference.reference_flow, reference.exponent)
        level = beyond * level
    else:
        factor = ratio[use] ** reference.exponent
        readings = table.bin_column("readings")[use]
        counted = readings if reference.by_means else readings * factor
        above = np.bincount(hour, counted * (table.bin_column("mean_pa")[use] - zero_pa[hour]), minlength=n)
        below = np.bincount(hour, counted * factor, minlength=n)
        rows = np.flatnonzero(below > 0)
        level = above[rows] / below[rows]
    level = level * _density_factor(table, reference)[rows]
    return Rows(rows, (level, highest[rows]))


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
    whose engine runs in most hours with the key on. Those with short key-ons count by what was seen of them.
    """
    by_restriction = np.asarray(table.hours["evidence"] == EVIDENCE.index("restriction"))
    still, seen = by_restriction & ~table.working, table.column("seen_share")
    works = by_restriction & table.working
    stands = int(np.sum(still & (seen >= KEY_ON_SHARE)))
    if works.sum() < NOTHING_HOURS or stands > works.sum():
        return np.zeros(len(table), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(np.int8), [0]))))
    seen_h = np.concatenate(([0.0], np.cumsum(seen)))
    long = np.zeros(len(table), dtype=bool)
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        is_seen = seen_h[end] - seen_h[first] >= NOTHING_HOURS * KEY_ON_SHARE
        long[first:end] = is_seen and end - first >= NOTHING_HOURS
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


def _density_factor(table: Summaries, reference: Reference) -> FloatArray:
    """From the air of each hour to the site's, shape (n,); 1 where either is not known."""
    if reference.site_kg_m3 is None:
        return np.ones(len(table.hours))
    rho = density_kg_m3(table, by_boost=reference.flow_kind == "speed_density")
    return reference.evened(np.where(np.isnan(rho), 1.0, rho / reference.site_kg_m3))


def _flow_kind(table: Summaries) -> int:
    """Place in FLOW_KINDS of the best proxy that half of the working hours have, else the commonest."""
    return table.once("flow kind", lambda: _learned_flow_kind(table))


def _learned_flow_kind(table: Summaries) -> int:
    count = np.bincount(table.hours["flow_kind"][table.working], minlength=len(FLOW_KINDS))
    half = [code for code in _RANKED if 2 * count[code] >= max(1, count.sum())]
    return half[-1] if half else int(np.argmax(count))


def flow_met(summaries: Sequence[HourSummary]) -> float:
    """The highest flow that the work of a machine with a flow proxy met, in the proxy's unit."""
    table = Summaries.of(summaries)
    mine = table.working & (table.hours["flow_kind"] == _flow_kind(table))
    site = None if density_label(table, mine) == "not corrected" else site_of(table, mine)
    return _flow_met(table, site)


def _flow_met(table: Summaries, site: Site | None) -> float:
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
            rho = density_kg_m3(table, by_boost=False)
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
    work = _work(table, code) if FLOW_KINDS[code] == "speed_load" else None
    # Hours of an earlier release do not know speed and load apart: its law holds until all hours do.
    if work is None:
        return None
    if len(work.pairs.hour) < LEAST_PAIRS:
        return usual_response(work.top_rad_s)
    top_rad_s = _held_speed(work.top_rad_s)
    return fit_response(work.steps(table, work.pairs.ln_drop), top_rad_s).held()


class _Work(NamedTuple):
    """What speed and load the bins of a flow proxy have, in the newest hours."""

    top_rad_s: float
    pairs: Pairs

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
    newest, zero_pa = _newest(table, mine, FLOW.fit_hours), learn_zero(table).by_hour_pa
    pairs = pairs_of(table, FlowBins(newest, table.bin_column("flow"), zero_pa))
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


def flow_steps(summaries: Sequence[HourSummary]) -> FlowSteps:
    """The steps that show how restriction goes with the flow; none without a flow proxy."""
    table = Summaries.of(summaries)
    return table.once("flow steps", lambda: _flow_steps(table))


def _flow_steps(table: Summaries) -> FlowSteps:
    code, fitted = _flow_kind(table), load_response(table)
    mine = _bins_of_kind(table, code) & (FLOW_KINDS[code] != "none")
    bins = FlowBins(mine, bin_flow(table), learn_zero(table).by_hour_pa)
    rests_on = code, None if fitted is None else fitted.response
    return flow_steps_of(table, bins, rests_on)


def _exponent(steps: FlowSteps, kind: str) -> tuple[float, float | None, bool]:
    if len(steps.hour) < LEAST_PAIRS:
        return DEFAULT_EXPONENT, None, False
    fitted, spread = flow_exponent(steps.ln_flow, steps.ln_drop)
    top = SPEED_EXPONENT_MAX if kind in BY_SPEED else EXPONENT_RANGE[1]
    held = in_steps(float(np.clip(fitted, EXPONENT_RANGE[0], top)), HELD.exponent_step)
    return held, float(spread), True
