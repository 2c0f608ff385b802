"""
A gauge that was read in another unit than was entered, or on another machine: asked about, never refused.

Promises: pure. Only what is too high is doubted: at idle every gauge shows little.
Leaves to others: what the monitor says for that instant (`ingest.api.routes.papers`).
"""

from __future__ import annotations

from dataclasses import dataclass

from cleanside.ingest.restriction.verdict.suspect import GAUGE_UNITS

BEYOND_LIMIT = 1.5  # times the change limit: the scale of a gauge ends there (chosen: 40 of 25 inH2O)
BEYOND_LEVEL, LEAST_APART_PA = 3.0, 1_000.0  # of what the monitor says for full flow (chosen)
#: The two agree in their unit, but not on the machine: a monitor reads a few percent off, and a gauge shows
#: less than it at part load, not more (chosen)
ANOTHER_MACHINE = 1.5
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
    if not is_doubtful(restriction_pa, limit_pa=limit_pa, level_pa=level_pa):
        return None
    most_pa = limit_pa or NO_LIMIT_PA
    if restriction_pa <= BEYOND_LIMIT * most_pa and not _is_apart(restriction_pa, level_pa, BEYOND_LEVEL):
        return GaugeDoubt(None)
    low, high = (share * most_pa for share in FITS_LIMIT)
    others = (other for other, factor in GAUGE_UNITS.items() if low <= value * factor <= high)
    return GaugeDoubt(next((other for other in others if other != unit), None))


def is_doubtful(restriction_pa: float, *, limit_pa: float | None, level_pa: float | None) -> bool:
    """Is there something to ask about a gauge: then it moves no figure. Arguments as of `gauge_doubt`."""
    beyond = restriction_pa > BEYOND_LIMIT * (limit_pa or NO_LIMIT_PA)
    return beyond or _is_apart(restriction_pa, level_pa, ANOTHER_MACHINE)


def _is_apart(restriction_pa: float, level_pa: float | None, times: float) -> bool:
    """True where a gauge shows more than so many times what the monitor says."""
    return level_pa is not None and restriction_pa > max(times * level_pa, level_pa + LEAST_APART_PA)
