"""
A gauge that was read in another unit than was entered, or on another machine: asked about, never refused.

Promises: pure. At idle every gauge shows little, so what is too low is doubted only where the same number in
the unit of the limit would be about what the monitor says.
Leaves to others: what the monitor says for that instant (`ingest.api.routes.gauge_readings`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import log
from typing import NamedTuple

from cleanside.ingest.restriction.verdict.suspect import GAUGE_UNITS

BEYOND_LIMIT = 1.5  # times the change limit: the scale of a gauge ends there (chosen: 40 of 25 inH2O)
BEYOND_LEVEL, LEAST_APART_PA = 3.0, 1_000.0  # of what the monitor says for full flow (chosen)
#: The two agree in their unit, but not on the machine: a monitor reads a few percent off, and a gauge shows
#: less than it at part load, not more (chosen)
ANOTHER_MACHINE = 1.5
#: A gauge is read best at full flow, so one that shows less than half of the level was read at light work, or
#: in another unit. Then the number itself, in the unit of the limit, is about the level: within these times
#: (chosen). Of looks at light work that lie evenly below half, three in ten are within by chance for inH2O
#: and a limit in kPa, one in eight for mbar and one in kPa (arithmetic): such a look waits for a second one.
BELOW_LEVEL, AS_LEVEL = 0.5, (0.5, 1.1)
SAME_UNIT = 1e-6  # relative (chosen: two spellings of a unit have one factor, within rounding)
FITS_LIMIT = (0.02, 1.2)  # what a gauge on such a housing shows, in change limits (chosen)
NO_LIMIT_PA = 6_200.0  # 25 inH2O, the limit that most makers state, where none is entered (common practice)


#: a second look that shows the same confirms one in doubt: a minute or more apart, and within a tenth, more
#: than two people read a scale apart (chosen)
AGAIN_S, LATEST_AGAIN_S, SAME_SHOWN = 60.0, 86_400.0, 0.1


@dataclass(frozen=True, slots=True)
class GaugeDoubt:
    """Why to look at a gauge again."""

    #: the unit of the limit where it would fit, else the commonest that would; None: none would
    meant_unit: str | None


class DoubtedLook(NamedTuple):
    """A look that is asked about."""

    at_s: float  # [s since 1970-01-01 UTC]
    shown_pa: float


def gauge_doubt(
    value: float,
    unit: str,
    restriction_pa: float,
    *,
    limit_pa: float | None,
    level_pa: float | None,
    limit_unit: str | None = None,
) -> GaugeDoubt | None:
    """
    What to ask about a gauge; None: it fits.

    value, unit : as entered, restriction_pa the same in SI. limit_pa : the change limit; None: not entered.
    level_pa : what the monitor says for full flow; None: nothing. limit_unit : of the limit as entered; None:
    not known.
    """
    as_limit_pa = in_unit_of_limit(value, restriction_pa, limit_unit)
    if _is_low_by_unit(restriction_pa, level_pa, as_limit_pa):
        return GaugeDoubt(limit_unit)
    if not is_doubtful(restriction_pa, limit_pa=limit_pa, level_pa=level_pa):
        return None
    most_pa = limit_pa or NO_LIMIT_PA
    if restriction_pa <= BEYOND_LIMIT * most_pa and not _is_apart(restriction_pa, level_pa, BEYOND_LEVEL):
        return GaugeDoubt(None)
    low, high = (share * most_pa for share in FITS_LIMIT)
    first = (limit_unit,) if limit_unit is not None and limit_unit in GAUGE_UNITS else ()
    others = (other for other in (*first, *GAUGE_UNITS) if low <= value * GAUGE_UNITS[other] <= high)
    return GaugeDoubt(next((other for other in others if other != unit), None))


def is_doubtful(
    restriction_pa: float,
    *,
    limit_pa: float | None,
    level_pa: float | None,
    as_limit_pa: float | None = None,
) -> bool:
    """
    Is there something to ask about a gauge: then it moves no figure. Arguments as of `gauge_doubt`.

    as_limit_pa : as of `in_unit_of_limit`.
    """
    if _is_low_by_unit(restriction_pa, level_pa, as_limit_pa):
        return True
    beyond = restriction_pa > BEYOND_LIMIT * (limit_pa or NO_LIMIT_PA)
    return beyond or _is_apart(restriction_pa, level_pa, ANOTHER_MACHINE)


def in_unit_of_limit(value: float, restriction_pa: float, limit_unit: str | None) -> float | None:
    """
    What the number of a gauge would be in the unit of the change limit. [Pa]

    None: that is the unit it was entered in, or no unit of a gauge, or not known.
    """
    as_limit_pa = None if limit_unit is None else value * GAUGE_UNITS.get(limit_unit, 0.0)
    if not as_limit_pa or abs(as_limit_pa - restriction_pa) <= SAME_UNIT * restriction_pa:
        return None
    return as_limit_pa


def is_shown_again(look: DoubtedLook, others: Iterable[DoubtedLook]) -> bool:
    """
    A second look about then showed the same, so that both count.

    others : at the same element, asked about too; the look itself may be among them.
    """
    return any(
        AGAIN_S <= abs(other.at_s - look.at_s) <= LATEST_AGAIN_S
        and min(other.shown_pa, look.shown_pa) > 0
        and abs(log(other.shown_pa / look.shown_pa)) <= SAME_SHOWN
        for other in others
    )


def _is_low_by_unit(restriction_pa: float, level_pa: float | None, as_limit_pa: float | None) -> bool:
    """True where a gauge shows far less than the monitor says, and its number would fit in another unit."""
    if level_pa is None or as_limit_pa is None or restriction_pa >= BELOW_LEVEL * level_pa:
        return False
    low, high = AS_LEVEL
    return low * level_pa <= as_limit_pa <= high * level_pa


def _is_apart(restriction_pa: float, level_pa: float | None, times: float) -> bool:
    """True where a gauge shows more than so many times what the monitor says."""
    return level_pa is not None and restriction_pa > max(times * level_pa, level_pa + LEAST_APART_PA)
