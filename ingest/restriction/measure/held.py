"""
Learned quantities held in steps: rounded to a grid that lies far below their own standard error.

What is learned over a whole record moves a little with every new hour, and all levels of all elements with
it. Held in steps it nearly always stays as it was, so that a new hour changes the newest element alone, and
what was worked out of earlier hours holds on.
Promises: a pure function of the value, so that the order of arrival cannot matter; hysteresis would not be.
Leaves to others: how wide the steps are (`tuning`).
"""

from __future__ import annotations

import math


def in_steps(value: float, step: float) -> float:
    """The nearest multiple of a step > 0, in the unit of the value."""
    return round(value / step) * step


def in_ratios(value: float, ratio: float) -> float:
    """The nearest power of 1 + ratio, ratio > 0; a value of 0 or less as it is."""
    if value <= 0:
        return value
    ln_step = math.log1p(ratio)
    return math.exp(round(math.log(value) / ln_step) * ln_step)
