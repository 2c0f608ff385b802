"""
How far the date of the indicator on a housing lies from that at full flow.

All lists go by the dates at full flow: they are those of the change limit and of every chance that is said.
Where the indicator likely latches days before or after, a person at the machine sees something else than the
list, so the list says it.
Promises: pure.
"""

from __future__ import annotations

from cleanside.ingest.restriction import Quantiles
from cleanside.ingest.shop.work_list import ListDays

FEW_DAYS = 3  # less moves no change by more than a weekend; chosen


def indicator_days(due_s: Quantiles | None, latch_s: Quantiles | None, days: ListDays) -> int | None:
    """
    Days of the calendar from the likely date at full flow to that of the indicator; below 0: it comes before.

    None: fewer than FEW_DAYS, or not both are known.
    """
    if due_s is None or latch_s is None:
        return None
    apart = (days.of(latch_s.p50) - days.of(due_s.p50)).days
    return apart if abs(apart) >= FEW_DAYS else None


def has_latched(hours_left: Quantiles | None) -> bool:
    """Has the indicator likely latched already. hours_left : until it does; None: not known."""
    return hours_left is not None and hours_left.p50 <= 0
