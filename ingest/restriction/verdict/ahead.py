"""
The operating hours left of the running life, and whether its change is within the planning horizon.

Leaves to others: what is learned (`forecast`), dates and states (`study`, `assess`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.duty import Duty, days_until
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.forecast.prior import mixture_of_points
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.verdict.status import LEVEL_ROWS, PLAN_LEAVE, is_plan

Z25, Z10 = 0.6745, 1.2816  # of the normal distribution: 25 and 10 % lie so far below the middle


@dataclass(frozen=True, kw_only=True)
class Quantiles:
    """10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True)
class Ahead:
    """The forecast of the running life."""

    life: Life
    hours: float  # of the life so far; the newest of them may not be believed
    knowledge: FleetKnowledge
    level_spread: float

    def points(self) -> FloatArray:
        """
        10, 50 and 90 % points of the hours left now, shape (3,). [h]

        All levels of a machine may share one error. The middle uses the levels as they are, the bounds a
        mixture over that error (Gauss-Hermite, three points).
        """
        apart = np.sqrt(3.0) * self.level_spread * np.array([-1.0, 0.0, 1.0])
        each = np.concatenate([self._at_rows(1, self.life.terminal_pa * float(g)) for g in np.exp(apart)])
        left = mixture_of_points(each[None, :, :], np.array([[1.0, 4.0, 1.0]]))[0]
        middle_h = each[1, 1]
        left = np.array([min(left[0], middle_h), middle_h, max(left[2], middle_h)])
        return np.asarray(np.maximum(left - (self.hours - float(self.life.hours[-1])), 0.0))

    def strange(self) -> float:
        """Outlier probability: that this element is like none of those learned from, 0 to 1."""
        return self.knowledge.forecaster.strange(self.life)

    def _at_rows(self, rows: int, terminal_pa: float) -> FloatArray:
        return self.knowledge.forecaster.hours_left(
            self.life.hours,
            self.life.restriction_pa,
            terminal_pa=terminal_pa,
            kind=self.life.kind,
            machine=self.life.machine,
            last=rows,
            from_new=self.life.from_new,
        )

    def is_plan(self, duty: Duty, horizon_days: float, points: FloatArray) -> bool:
        """
        One chance in four that it is due within the planning horizon; a date too late costs three times one
        too early. Between the bounds of entering and leaving, the state stays as it was.

        points : of the hours left now, shape (3,). [h]
        """
        days = days_until(float(_first_quarter(points)), duty)
        if not horizon_days < days <= PLAN_LEAVE * horizon_days:
            return days <= horizon_days
        way = _first_quarter(self._at_rows(LEVEL_ROWS, self.life.terminal_pa)) / duty.hours_per_day
        return is_plan(np.append(way, days), horizon_days=horizon_days)


def _first_quarter(points: FloatArray) -> FloatArray:
    """The 25 % point between the 10 and the 50 % point, as of a normal distribution. points : (..., 3)."""
    return np.asarray(points[..., 1] - Z25 / Z10 * (points[..., 1] - points[..., 0]))


def quantiles(points: FloatArray) -> Quantiles:
    """points : 10, 50 and 90 % points, shape (3,)."""
    return Quantiles(p10=float(points[0]), p50=float(points[1]), p90=float(points[2]))
