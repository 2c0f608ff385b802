"""
How restriction goes with the flow, from steps of both: the exponent of restriction ~ flow^n.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.measure.ranks import weighted_quantiles
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.words import counted

#: what media (1), ducts (2) and a speed-like proxy can give, with their error; else it is no flow (chosen)
PROXY_EXPONENTS = (0.8, 3.5)
#: steps in restriction must shrink to that share once flow is taken out (chosen: else it is no flow)
PROXY_EXPLAINS = 0.7
LEAST_LN_STEP = 0.02  # chosen: a flow step below 2 % shows noise, not the exponent
SPREAD_POINTS = (0.16, 0.5, 0.84)  # one standard deviation either side of the middle (arithmetic)
LEAST_PAIRS = 20  # chosen: the median of fewer slopes moves by more than 0.1 at field noise


def flow_exponent(ln_flow_step: FloatArray, ln_restriction_step: FloatArray) -> tuple[float, float]:
    """
    The exponent n of restriction ~ flow^n by least absolute deviation, and its spread.

    ln_flow_step, ln_restriction_step : shape (n,), n >= 1, differences of logarithms between two states
        of one element close in time; steps in flow of zero are not allowed. [1]
    The minimiser of sum |dy - n dx| is the median of dy/dx weighted with |dx|.
    """
    return exponent_of(ln_restriction_step / ln_flow_step, np.abs(ln_flow_step))


def exponent_of(slopes: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """As `flow_exponent`, from the slope of each step and its weight, shape (n,)."""
    low, middle, high = weighted_quantiles(slopes, weights, SPREAD_POINTS)
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
