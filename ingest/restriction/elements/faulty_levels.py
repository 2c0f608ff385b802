"""
Levels without a sound element: torn, missing or not seated, and with a tube off. Levels are logarithms.

Promises: pure.
Leaves to others: how often it happens, and which history it fits (`explain`).
"""

from __future__ import annotations

import math

from cleanside.ingest.restriction.elements.densities import below, ln
from cleanside.ingest.restriction.measure.tuning import Tuning

#: so far above nothing [ln] a level is beyond NEVER (chosen: its square would leave the numbers)
OFF_MOST = 20.0
#: by that the variance of how much elements differ is divided, where a level is set beside what clean ones
#: read (chosen: half of their spread)
OF_VARIANCE = 4


def as_low(level: float, clean: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    """ln density of the first level with an element torn, missing or not seated: below any clean element."""
    sure = is_low(level, clean, clean_var, spread, tuning)
    return ln(sure) + min(level - clean + _lowest_clean(tuning), 0.0)


def is_low(level: float, clean: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    """How sure a level is below any clean element."""
    return is_below(level, clean - _lowest_clean(tuning), clean_var, spread, tuning)


def _lowest_clean(tuning: Tuning) -> float:
    """How far below what is usual a clean element reads at least. [ln]"""
    return tuning.low_spreads * tuning.element_spread


def is_below(level: float, highest: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    """How sure a level is below another that goes by what clean elements read."""
    differ_var = tuning.element_spread**2 / OF_VARIANCE
    return below((highest - level) / math.sqrt(clean_var + differ_var + spread**2))


def as_off(level: float, off: float) -> float:
    """ln density of the first level with a tube off: next to nothing."""
    away = math.exp(min(level - off, OFF_MOST))
    return level - off - 0.5 * away**2 + 0.5 * math.log(2 / math.pi)


def above_nothing(level: float, off: float) -> float:
    """ln of how sure a level is above nothing: without an element the ducts still resist."""
    return ln(-math.expm1(-0.5 * math.exp(2 * min(level - off, OFF_MOST))))
