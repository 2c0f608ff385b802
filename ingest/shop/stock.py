"""
Parts: what to take, what to order and by when, and the chance of running out.

Promises: pure. An element is needed on its day on the work list, or in the plan of visits: each says its days
here, and `part_line` alone says what to order by when.
Order by: the day on which the first element beyond the stock is needed, less the lead time; today, where that
has passed. Orders are placed, and pieces come, on working days of the shop: on the last one before, on the
first one after. A change that waits for its piece, because one of today comes after the last day that its
element allows, is ordered at once, whatever day the plan of visits or a person found for it.
Chance of running out: each machine needs its element before the day on which an order of today comes with
the chance of `work_list.chance_needed`, for certain where it is planned; each for itself. On that day the
piece is there, as the plan of visits and `late_days` have it. The number of elements needed is then
distributed as the sum of independent trials with unequal chances (the Poisson binomial distribution, in any
text on probability; from memory). The chance is that it exceeds the stock.
Leaves to others: which machines there are, and their dates; which of them gets which piece (`dealt_parts`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from cleanside.ingest.planning.shop_terms import EVERY_DAY, WorkingDays

MAX_LEAD_DAYS = 3_650
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Need:
    """An element that a machine will need."""

    part: str
    site: str | None
    #: it is on the list: it is taken along
    taken: bool
    #: the day of its change; None: it cannot be said
    needed_on: date | None
    #: the last day that its element allows, by readings and age; None: not in sight
    last_day: date | None
    #: chance that it is needed before the end of a day, 0 to 1
    chance_by: Callable[[date], float]

    def waits_for_piece(self, arrives: date) -> bool:
        """Does a piece that comes on a day come after the last one that its element allows."""
        return self.last_day is not None and self.last_day < arrives


@dataclass(frozen=True, kw_only=True)
class PartLine:
    """One part: what to take and what to order."""

    part: str
    description: str
    to_take: int
    take_by_site: Mapping[str, int]
    in_stock: int
    stock_by_site: Mapping[str, int]
    on_order: int  # ordered, and not come yet
    to_order: int
    needed_on: date | None  # the first that is missing; None: as far as can be seen none is
    order_by: date | None  # None: nothing is to be ordered, as far as can be seen
    late_days: int  # so many days after it is needed it comes, if it is ordered today; 0: in time
    lead_time_days: int | None  # None: not entered; then it is ordered as if it came the same day
    chance_of_running_out: float | None  # before an order of today comes, 0 to 1; None: no lead time


def comes_on(ordered_on: date, lead_time_days: int | None, working: WorkingDays) -> date:
    """
    The day on which a piece that is ordered on a day is there: on the work list and in the plan of visits.

    The first working day from the end of the lead time on. lead_time_days : None: not entered; then it comes
    the same day.
    """
    return working.first(ordered_on + timedelta(days=lead_time_days or 0), date.max)


def part_line(
    part: str,
    needs: Sequence[Need],
    *,
    description: str,
    stock_by_site: Mapping[str, int],
    lead_time_days: int | None,
    today: date,
    before: date,
    on_order: int = 0,
    working: WorkingDays = EVERY_DAY,
) -> PartLine:
    """
    What to take of a part and what to order. needs : of this part, of all machines that work.

    before : the first day after the list. on_order : pieces that are ordered, and count as if they came in
    time. working : days of the shop.
    """
    in_stock = sum(stock_by_site.values())
    supply = in_stock + on_order
    lead = timedelta(days=lead_time_days or 0)
    arrives = comes_on(working.first(today, date.max), lead_time_days, working)
    days = sorted((n.needed_on, not n.waits_for_piece(arrives)) for n in needs if n.needed_on is not None)
    missing = days[supply:]
    first_missing = missing[0][0] if missing else None
    at_once = working.first(today, before)
    order_days = [
        _order_day(day, lead, today, before, working) if in_time else at_once for day, in_time in missing
    ]
    taken = [need for need in needs if need.taken]
    by_site: dict[str, int] = {}
    for need in taken:
        by_site[need.site or ""] = by_site.get(need.site or "", 0) + 1
    return PartLine(
        part=part,
        description=description,
        to_take=len(taken),
        take_by_site=by_site,
        in_stock=in_stock,
        stock_by_site=stock_by_site,
        on_order=on_order,
        to_order=sum(day < before for day in order_days),
        needed_on=first_missing,
        order_by=min(order_days, default=None),
        late_days=0 if first_missing is None else max(0, (arrives - first_missing).days),
        lead_time_days=lead_time_days,
        chance_of_running_out=None
        if lead_time_days is None
        else chance_of_more([need.chance_by(arrives - ONE_DAY) for need in needs], in_stock),
    )


def _order_day(needed_on: date, lead: timedelta, today: date, before: date, working: WorkingDays) -> date:
    """The last working day, from today on, on which what is needed on a day can be ordered."""
    there_by = working.last(needed_on, min(today, needed_on), before)
    return working.last(max(today, there_by - lead), today, before)


def order_first(line: PartLine) -> tuple[date, int, date, str]:
    """The sort key of a part: what is to be ordered first, and of that what comes latest; then by number."""
    order_by, needed = line.order_by or date.max, line.needed_on or date.max
    return order_by, -line.late_days, needed, line.part


def chance_of_more(chances: Sequence[float], stock: int) -> float:
    """
    Chance that more than `stock` of independent events come true.

    chances : of each, 0 to 1. Returns 0 to 1.
    """
    distribution = np.array([1.0])
    for chance in chances:
        distribution = np.convolve(distribution, [1.0 - chance, chance])
    return float(min(1.0, max(0.0, distribution[stock + 1 :].sum())))
