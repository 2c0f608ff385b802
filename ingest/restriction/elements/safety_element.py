"""
The safety element behind the main one: what was worked since it was entered last.

It has no level of its own, so nothing is measured of it: changes of the main element and operating hours are
counted. Its maker's manual says when it is changed.
Promises: pure. What was worked before the first reading is not in the counts, which are then the least.
Leaves to others: whether the housing has one at all (the papers).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.elements.entries import SHIFT_ROWS, WeighedEntry
from cleanside.ingest.restriction.elements.lives import LifeSpan
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import HOUR_S

SAFETY_ELEMENT, NEW = "safety_element", "change"
USUAL_CHANGES = 3  # of the main element, one of the safety element (common practice, without a source)
#: a main element that went in so close to it is of the same service (chosen: a day, as entries come late)
SAME_SERVICE_S = 2 * SHIFT_ROWS * HOUR_S


@dataclass(frozen=True, kw_only=True)
class SafetyElement:
    """What was worked since the newest entry of a safety element. Instants in seconds since 1970 UTC."""

    changed_s: float | None  # None: none was entered; the counts are from the first reading on
    changes: int  # of the main element since, entered and found; that of the same service does not count
    hours: float  # operating hours since, as far as they were seen

    @property
    def is_usual_now(self) -> bool:
        """Common practice would change it with the next main element: that is the third, or later."""
        return self.changes + 1 >= USUAL_CHANGES


def safety_element_of(
    entries: Sequence[WeighedEntry], lives: Sequence[LifeSpan], series: HourlyRestriction
) -> SafetyElement:
    """Counts for a housing. An entry by code that no one confirmed does not count. series : of the lives."""
    entered = [one.entry.at_s for one in entries if one.entry.what == SAFETY_ELEMENT and not one.is_question]
    changed_s = max(entered, default=None)
    from_s = -np.inf if changed_s is None else changed_s
    new = [life for life in lives if life.began == NEW and life.start_s > from_s + SAME_SERVICE_S]
    after = series.hour_s >= from_s
    return SafetyElement(
        changed_s=changed_s, changes=len(new), hours=float(np.sum(series.operating_h[after]))
    )
