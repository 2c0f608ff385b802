"""
A gauge that was read in another unit than was entered: asked about, never refused, as it changes no figure.

Promises: pure. Only what is too high is doubted: at idle every gauge shows little.
Leaves to others: what the monitor says for that instant (`ingest.api.routes.papers`).
"""

from __future__ import annotations

from dataclasses import dataclass

from cleanside.ingest.restriction.verdict.suspect import GAUGE_UNITS

BEYOND_LIMIT = 1.5  # times the change limit: the scale of a gauge ends there (chosen: 40 of 25 inH2O)
BEYOND_LEVEL, LEAST_APART_PA = 3.0, 1_000.0  # of what the monitor says for full flow (chosen)
FITS_LIMIT = (0.02, 1.2)  # what a gauge on such a housing shows, in change limits (chosen)
NO_LIMIT_PA = 6_200.0  # 25 inH2O, the limit that most makers state, where none is entered


@dataclass(frozen=True, slots=True)
class GaugeDoubt:
    """Why to look at a gauge again."""

    #: the commonest unit that would fit; None: none would
    meant_unit: str | None


def gauge_doubt(
    value: float, unit: str, restriction_pa: float, *, limit_pa: float | None, level_pa: float | None
) -> GaugeDoubt | None:
    """
    What to ask about a gauge; None: it fits.

    value, unit : as entered, restriction_pa the same in SI. limit_pa : the change limit; None: not entered.
    level_pa : what the monitor says for full flow; None: nothing.
    """
    most_pa = limit_pa or NO_LIMIT_PA
    is_apart = level_pa is not None and restriction_pa > max(
        BEYOND_LEVEL * level_pa, level_pa + LEAST_APART_PA
    )
    if restriction_pa <= BEYOND_LIMIT * most_pa and not is_apart:
        return None
    low, high = (share * most_pa for share in FITS_LIMIT)
    others = (other for other, factor in GAUGE_UNITS.items() if low <= value * factor <= high)
    return GaugeDoubt(next((other for other in others if other != unit), None))
