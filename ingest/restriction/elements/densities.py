"""
Densities of the model of a housing, as logarithms where they are long in the tails.

Leaves to others: what they are densities of (`explain`, `step_response`).
"""

from __future__ import annotations

import math

from cleanside.ingest.restriction.measure.tuning import Tuning

NEVER = -1e9  # ln of a probability of nothing (chosen: far below the sum of a life's likelihoods)
FREEDOM = 8.0  # degrees of freedom of Student's distribution (chosen: heavier tails than a normal one)
FREEDOM_POWER = 4.5  # arithmetic: (FREEDOM + 1) / 2
STUDENT_8 = 0.38669902  # arithmetic: gamma(4.5) / (gamma(4) sqrt(8 pi))
ROOT_2PI = math.sqrt(2 * math.pi)  # arithmetic: scales the normal density
LN_ROOT_2PI = math.log(ROOT_2PI)


def mixed(off: float, spread: float, tuning: Tuning) -> float:
    """ln density of a normal distribution with a few outliers."""
    wide = spread * tuning.outlier_times
    usual = (1.0 - tuning.outlier_share) * math.exp(-0.5 * (off / spread) ** 2) / spread
    return ln(usual + tuning.outlier_share * math.exp(-0.5 * (off / wide) ** 2) / wide) - LN_ROOT_2PI


def student(off: float, spread: float) -> float:
    """ln density of Student's distribution with eight degrees of freedom: heavier tails than a normal one."""
    return math.log(STUDENT_8 / spread) - FREEDOM_POWER * math.log1p((off / spread) ** 2 / FREEDOM)


def below(z: float) -> float:
    """The normal distribution function."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def ln(chance: float) -> float:
    return math.log(chance) if chance > 0 else NEVER


def evenly(value: float, low: float, high: float, soft: float) -> float:
    """Density of what lies evenly between two bounds, with soft edges."""
    return below((value - low) / soft) * below((high - value) / soft) / (high - low)
