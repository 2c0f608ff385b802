"""
The operating hours left of the running life, and whether its change is within the planning horizon.

Two ends: the limit at full flow, and the indicator on the housing, which latches where the highest that the
machine meets comes to the limit. So its forecast goes on to the level at which shifts meet that much.

Leaves to others: what is learned (`forecast`), dates and states (`study`, `assess`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.duty import Duty, days_until
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.forecast.prior import mixture_of_points
from cleanside.ingest.restriction.measure.met import Met
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.verdict.status import LEVEL_ROWS, PLAN_LEAVE, was_plan

#: standard deviations between the nodes of Gauss and Hermite, of weights 1, 4, 1 (arithmetic)
NODE = float(np.sqrt(3.0))
NODE_WEIGHTS = np.array([[1.0, 4.0, 1.0]])  # arithmetic, likewise
MET_AS_FULL_FLOW = Met(0.0, 0.0)  # arithmetic: ln of a factor of 1
Z25, Z10 = 0.6745, 1.2816  # of the normal distribution: 25 and 10 % lie so far below the middle (arithmetic)


@dataclass(frozen=True, kw_only=True)
class Quantiles:
    """10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float


class Points(NamedTuple):
    """10, 50 and 90 % points of the hours left, shape (3,) each, and how strange the element is. [h]"""

    full_flow: FloatArray
    latch: FloatArray
    strange: float  # outlier probability: that it is like none of those learned from, 0 to 1


@dataclass(frozen=True)
class Ahead:
    """The forecast of the running life."""

    life: Life
    hours: float  # of the life so far; the newest of them may not be believed
    knowledge: FleetKnowledge
    level_spread: float
    met: Met = MET_AS_FULL_FLOW

    def points(self) -> Points:
        """
        The hours left now.

        All levels of a machine may share one error. The middle uses the levels as they are, the bounds a
        mixture over that error (Gauss-Hermite, three points). What the machine meets has an error of its own.
        """
        apart = NODE * self.level_spread
        ln_limit = np.array([0.0, -apart, apart, -self.met.middle])
        each, strange = self.knowledge.forecaster.at_limits(self.life, np.exp(ln_limit).tolist())
        off_h = NODE * self.met.spread * _rise_h(each[:, 1], ln_limit)
        latch = np.maximum(each[3] + off_h * np.array([[-1.0], [0.0], [1.0]]), 0.0)
        full_flow, latch = self._since(_mixture(each[[1, 0, 2]])), self._since(_mixture(latch))
        if self.met.reached:
            latch[:2] = 0.0
        return Points(full_flow, latch, strange)

    def _since(self, points: FloatArray) -> FloatArray:
        """Less what was worked since the newest level."""
        return np.asarray(np.maximum(points - (self.hours - float(self.life.hours[-1])), 0.0))

    def is_plan(self, duty: Duty, horizon_days: float, points: Points) -> bool:
        """
        One chance in four that it is due, or its indicator latches, within the horizon.

        A date too late costs three times one too early. Between the bounds of entering and leaving, the state
        stays as it was.
        """
        of_limit, of_latch = float(_first_quarter(points.full_flow)), float(_first_quarter(points.latch))
        days = days_until(min(of_limit, of_latch), duty)
        if not horizon_days < days <= PLAN_LEAVE * horizon_days:
            return days <= horizon_days
        sooner = 1.0 if of_limit <= of_latch else float(np.exp(-self.met.middle))
        blocks = self.knowledge.forecaster.blocks_back(self.life, sooner, last=LEVEL_ROWS)
        return was_plan(
            (_first_quarter(block) / duty.hours_per_day for block in blocks), horizon_days=horizon_days
        )


def _mixture(each: FloatArray) -> FloatArray:
    """Points at the three nodes, shape (3, 3): bounds of the mixture around the middle of the second."""
    left = mixture_of_points(each[None, :, :], NODE_WEIGHTS)[0]
    middle = each[1, 1]
    return np.array([min(left[0], middle), middle, max(left[2], middle)])


def _rise_h(middle_h: FloatArray, ln_limit: FloatArray) -> float:
    """Hours left gained for each unit of ln(limit), over the limits that were looked at. [h]"""
    low, high = int(np.argmin(ln_limit)), int(np.argmax(ln_limit))
    span = float(ln_limit[high] - ln_limit[low])
    return max(0.0, float(middle_h[high] - middle_h[low]) / span) if span > 0 else 0.0


def _first_quarter(points: FloatArray) -> FloatArray:
    """The 25 % point between the 10 and the 50 % point, as of a normal distribution. points : (..., 3)."""
    return np.asarray(points[..., 1] - Z25 / Z10 * (points[..., 1] - points[..., 0]))


def quantiles(points: FloatArray) -> Quantiles:
    """points : 10, 50 and 90 % points, shape (3,)."""
    return Quantiles(p10=float(points[0]), p50=float(points[1]), p90=float(points[2]))
