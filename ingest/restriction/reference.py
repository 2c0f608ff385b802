"""
From hourly summaries to one comparable number per operating hour: restriction at the reference flow.

Promises: the result says how it was got (`Reference.basis`, `density`, `sure`) and never hides a guess.
Leaves to others: which hours belong to which element (`lives`), and what the level means (`assess`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .atmosphere import STANDARD_KG_M3, air_density_kg_m3, standard_pressure_pa, standard_temperature_k
from .summary import FLOW_KINDS, FloatArray, HourSummary

DEFAULT_EXPONENT = 1.5  # between media (1) and ducts (2); used, and said, where none can be fitted
EXPONENT_RANGE = (1.0, 2.0)  # Darcy-Forchheimer: linear in media and dust cake, quadratic in ducts
SPEED_EXPONENT_MAX = 3.5  # against speed alone the flow itself rises faster than speed (turbocharger)
LEAST_LN_STEP = 0.02  # a flow step below 2 % tells noise, not exponent
LEAST_PAIRS = 20  # chosen: the median of fewer slopes moves by more than 0.1 at field noise
LEAST_FLOW_SHARE = 0.5  # of the reference flow; scaling from further down multiplies the noise by 3 and more
LEAST_ZERO_READINGS = 3


@dataclass(frozen=True, kw_only=True)
class Reference:
    """How restriction at the reference flow is derived for one housing."""

    basis: str  # "flow" (scaled by a proxy), "envelope" (upper envelope of each hour) or "none"
    flow_kind: str  # one of FLOW_KINDS
    reference_flow: float | None  # in the proxy's unit
    exponent: float | None
    exponent_spread: float | None  # half the central 68 % of the slopes, over sqrt(pairs)
    exponent_fitted: bool
    zero_pa: float  # sensor reading at rest, taken off
    zero_drift_pa: float | None  # late off-level minus early off-level
    zero_known: bool
    density: str  # "corrected", "from altitude" or "not corrected"
    sure: str  # "high", "medium" or "low"


@dataclass(frozen=True, kw_only=True)
class HourlyRestriction:
    """Restriction at reference flow, one row per hour in which the engine ran. Arrays, shape (n,)."""

    hour_s: FloatArray  # start of the hour, seconds since 1970-01-01 UTC
    operating_s: FloatArray  # engine running in that hour
    restriction_pa: FloatArray
    flow_ratio: FloatArray  # highest flow seen in the hour over the reference flow; NaN without a proxy


def learn_reference(summaries: Sequence[HourSummary], *, reference_flow: float | None = None) -> Reference:
    """
    Learn zero, exponent and reference flow from the summaries of one housing.

    reference_flow : flow at which the terminal value is stated, in the unit of the flow proxy; None means
        the 95 % point of the flows seen, standing for rated speed and load.
    """
    zero_pa, drift_pa, zero_known = _zero(summaries)
    kind = _flow_kind(summaries)
    density = _density_label(summaries, kind)
    if kind == "none":
        found = any(summary.bins for summary in summaries)
        return Reference(
            basis="envelope" if found else "none",
            flow_kind=kind,
            reference_flow=None,
            exponent=None,
            exponent_spread=None,
            exponent_fitted=False,
            zero_pa=zero_pa,
            zero_drift_pa=drift_pa,
            zero_known=zero_known,
            density="not corrected",
            sure="low",
        )
    slopes, weights = _slopes([s for s in summaries if s.flow_kind == kind], zero_pa)
    exponent, spread, fitted = _exponent(slopes, weights, kind)
    if reference_flow is None:
        flows = np.array([b.flow for s in summaries if s.flow_kind == kind for b in s.bins])
        counts = np.array([b.readings for s in summaries if s.flow_kind == kind for b in s.bins])
        reference_flow = _weighted_quantile(flows, counts, 0.95)
    return Reference(
        basis="flow",
        flow_kind=kind,
        reference_flow=reference_flow,
        exponent=exponent,
        exponent_spread=spread,
        exponent_fitted=fitted,
        zero_pa=zero_pa,
        zero_drift_pa=drift_pa,
        zero_known=zero_known,
        density=density,
        sure="high" if fitted and kind == "air_mass_flow" else "medium" if fitted else "low",
    )


def at_reference_flow(summaries: Sequence[HourSummary], reference: Reference) -> HourlyRestriction:
    """
    Restriction at the reference flow and standard air, for each hour that can be scaled; never a guess.

    summaries : of one housing, in time order.
    Hours without running readings, or whose flow stayed below half the reference flow, are left out.
    With a proxy each hour is the least-squares R of R (Q/Q_ref)^n over its flow bins; else its 90 % point.
    """
    rows = [row for summary in summaries if (row := _one_hour(summary, reference)) is not None]
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 4)
    return HourlyRestriction(
        hour_s=table[:, 0], operating_s=table[:, 1], restriction_pa=table[:, 2], flow_ratio=table[:, 3]
    )


def flow_exponent(ln_flow_step: FloatArray, ln_restriction_step: FloatArray) -> tuple[float, float]:
    """
    The exponent n of restriction ~ flow^n by least absolute deviation, and its spread.

    ln_flow_step, ln_restriction_step : shape (n,), n >= 1, differences of logarithms between two states
        of one element close in time; steps in flow of zero are not allowed. [1]
    The minimiser of sum |dy - n dx| is the median of dy/dx weighted with |dx|.
    """
    slopes, weights = ln_restriction_step / ln_flow_step, np.abs(ln_flow_step)
    low, middle, high = (_weighted_quantile(slopes, weights, q) for q in (0.16, 0.5, 0.84))
    return middle, (high - low) / 2 / np.sqrt(len(slopes))


def _one_hour(summary: HourSummary, reference: Reference) -> tuple[float, float, float, float] | None:
    if not summary.bins:
        return None
    if reference.basis == "envelope" or summary.flow_kind != reference.flow_kind:
        if reference.basis != "envelope":
            return None
        level = max(b.p90_pa for b in summary.bins) - reference.zero_pa
        return summary.hour_s, summary.operating_s, level, np.nan
    assert reference.reference_flow is not None  # by construction, with basis "flow"
    assert reference.exponent is not None
    flow, count, mean_pa = np.array([b[:3] for b in summary.bins]).T
    near = flow >= LEAST_FLOW_SHARE * reference.reference_flow
    if not near.any():
        return None
    factor = (flow[near] / reference.reference_flow) ** reference.exponent
    level = float(
        np.sum(count[near] * factor * (mean_pa[near] - reference.zero_pa)) / np.sum(count[near] * factor**2)
    )
    ratio = float(flow.max() / reference.reference_flow)
    return summary.hour_s, summary.operating_s, level * _density_factor(summary, reference), ratio


def _density_factor(summary: HourSummary, reference: Reference) -> float:
    """
    To standard air. At a given mass flow both parts go with 1/density, so R_std = R rho/rho_0; at a given
    volume flow (speed alone) only the part above linear goes with density: R_std = R (rho_0/rho)^(n - 1).
    """
    rho = _density_kg_m3(summary)
    if rho is None or reference.density == "not corrected" or reference.exponent is None:
        return 1.0
    ratio = rho / STANDARD_KG_M3
    if reference.flow_kind == "engine_speed":
        return float(ratio ** -(min(reference.exponent, 2.0) - 1.0))
    return float(ratio)


def _density_kg_m3(summary: HourSummary) -> float | None:
    pressure = summary.ambient_pressure_pa
    kelvin = summary.temperature_k
    if pressure is None and summary.altitude_m is not None:
        pressure = float(standard_pressure_pa(summary.altitude_m))
    if pressure is None:
        return None
    if kelvin is None:
        kelvin = float(standard_temperature_k(summary.altitude_m or 0.0))
    return float(air_density_kg_m3(pressure, kelvin))


def _density_label(summaries: Sequence[HourSummary], kind: str) -> str:
    """Corrected only if nearly every hour can be: a mixture would put steps into the series."""
    working = [s for s in summaries if s.bins and s.flow_kind == kind]
    if not working or kind == "none":
        return "not corrected"
    if np.mean([s.ambient_pressure_pa is not None for s in working]) > 0.9:
        return "corrected"
    if np.mean([_density_kg_m3(s) is not None for s in working]) > 0.9:
        return "from altitude"
    return "not corrected"


def _zero(summaries: Sequence[HourSummary]) -> tuple[float, float | None, bool]:
    """Zero, its drift, and whether it is known. A median over levels: one odd hour cannot move it."""
    levels = _off_levels(summaries)
    if len(levels) == 0:
        return 0.0, None, False
    edge = max(1, min(20, len(levels) // 4))
    drift = float(np.median(levels[-edge:]) - np.median(levels[:edge])) if len(levels) >= 4 else None
    return float(np.median(levels[-max(edge, 3) :])), drift, True


def _off_levels(summaries: Sequence[HourSummary]) -> FloatArray:
    """
    Engine-off levels in time order, each the mean of at least `LEAST_ZERO_READINGS` readings. [Pa]

    A slow monitor sees the engine off once or twice at each key-on: such hours are taken together.
    """
    levels: list[float] = []
    count, total_pa = 0, 0.0
    for summary in summaries:
        if summary.off_mean_pa is None:
            continue
        count, total_pa = count + summary.off_count, total_pa + summary.off_count * summary.off_mean_pa
        if count >= LEAST_ZERO_READINGS:
            levels.append(total_pa / count)
            count, total_pa = 0, 0.0
    return np.array(levels)


def _flow_kind(summaries: Sequence[HourSummary]) -> str:
    """The best proxy that at least half of the working hours have."""
    working = [s.flow_kind for s in summaries if s.bins]
    for kind in reversed(FLOW_KINDS):
        if working and 2 * working.count(kind) >= len(working):
            return kind
    return max(set(working), key=working.count, default="none")


def _slopes(summaries: Sequence[HourSummary], zero_pa: float) -> tuple[FloatArray, FloatArray]:
    """Steps (d ln Q, d ln R) between bins of one hour, or between hours that follow each other."""
    d_flow: list[float] = []
    d_drop: list[float] = []
    for before, summary in zip([None, *summaries[:-1]], summaries, strict=True):
        bins = [b for b in summary.bins if b.mean_pa > zero_pa and b.flow > 0]
        if len(bins) >= 2:
            pairs = [(bins[-1], b) for b in bins[:-1]]
        elif bins and before is not None and summary.hour_s - before.hour_s <= 7200:
            pairs = [(bins[0], b) for b in before.bins if b.mean_pa > zero_pa and b.flow > 0]
        else:
            continue
        for high, low in pairs:
            step = np.log(high.flow / low.flow)
            if abs(step) >= LEAST_LN_STEP:
                d_flow.append(step)
                d_drop.append(np.log((high.mean_pa - zero_pa) / (low.mean_pa - zero_pa)))
    return np.array(d_flow), np.array(d_drop)


def _exponent(d_flow: FloatArray, d_drop: FloatArray, kind: str) -> tuple[float, float | None, bool]:
    if len(d_flow) < LEAST_PAIRS:
        return DEFAULT_EXPONENT, None, False
    fitted, spread = flow_exponent(d_flow, d_drop)
    top = SPEED_EXPONENT_MAX if kind == "engine_speed" else EXPONENT_RANGE[1]
    return float(np.clip(fitted, EXPONENT_RANGE[0], top)), float(spread), True


def _weighted_quantile(values: FloatArray, weights: FloatArray, q: float) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, q * total[-1])])
