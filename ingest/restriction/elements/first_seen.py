"""
What the first level of a machine says of its clean elements. Levels are logarithms.

Strategy: an element reads no less than when it was clean. So the first level is that of a clean element, or a
bound that clean elements of this machine do not pass. Before it, they are expected where limit or kind say,
and on a few machines far from there: a big housing, or work far below full flow.
Promises: pure.
Leaves to others: whether the first level is that of a sound element (`explain`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from cleanside.ingest.restriction.elements.densities import ROOT_2PI, below
from cleanside.ingest.restriction.measure.tuning import Tuning

LEAST_CHANCE = 1e-12  # that a clean element reads no more: less is as good as never


class ExpectedClean(NamedTuple):
    """What clean elements read, of some share of the machines: a normal distribution."""

    share: float
    middle: float
    spread: float


class FirstLevel(NamedTuple):
    """What a sound element's first level says."""

    density: float  # of that level
    usual: float  # of clean elements of the machine: mean and variance
    usual_var: float


def expected_clean(middle: float, spread: float, unusual: float, tuning: Tuning) -> list[ExpectedClean]:
    """middle, spread : as limit or kind say. unusual : share of the machines that are far from there."""
    wide = spread * tuning.unusual_times
    parts = [ExpectedClean(1.0 - unusual, middle, spread), ExpectedClean(unusual, middle, wide)]
    return [part for part in parts if part.share > 0]


def first_level(
    level: float, expected: Sequence[ExpectedClean], own: float, limit: float, tuning: Tuning
) -> FirstLevel:
    """
    With the element that is in the housing when the machine is first seen.

    own : spread of one element about what clean ones of the machine read, with that of the level.
    limit : up to it a level in use is as likely anywhere, in the unit of restriction.
    """
    in_use = (1.0 - tuning.fitted_new) * math.exp(min(level - limit, 0.0))
    parts = [
        part
        for of_machines in expected
        for part in (
            _as_clean(level, of_machines, own, tuning.fitted_new),
            _bound(level, of_machines, own, in_use),
        )
    ]
    whole = sum(part.density for part in parts)
    mean = sum(part.density * part.usual for part in parts) / whole
    var = sum(part.density * (part.usual_var + (part.usual - mean) ** 2) for part in parts) / whole
    return FirstLevel(whole, mean, var)


def _as_clean(level: float, expected: ExpectedClean, own: float, share: float) -> FirstLevel:
    """The element is a clean one."""
    var, own_var = expected.spread**2, own**2
    z = (level - expected.middle) / math.sqrt(var + own_var)
    density = max(math.exp(-0.5 * z**2), LEAST_CHANCE) / (ROOT_2PI * math.sqrt(var + own_var))
    usual = expected.middle + var / (var + own_var) * (level - expected.middle)
    return FirstLevel(share * expected.share * density, usual, var * own_var / (var + own_var))


def _bound(level: float, expected: ExpectedClean, own: float, density: float) -> FirstLevel:
    """The element is in use: moments of a normal distribution cut above by another (skew-normal)."""
    wide = math.hypot(expected.spread, own)
    z = (level - expected.middle) / wide
    chance = max(below(z), LEAST_CHANCE)
    steep = math.exp(-0.5 * z**2) / (ROOT_2PI * chance)
    told = expected.spread**2 / wide
    var = expected.spread**2 - told**2 * steep * (steep + z)
    return FirstLevel(density * expected.share * chance, expected.middle - told * steep, max(var, 0.0))
