"""
What to order by when, so that each part is there on the day it is needed.

Promises: pure. Pieces in stock go to the first days. One order a part: by the day on which the first piece
beyond the stock is needed, less the lead time. What is needed after the plan counts where its order falls
within the plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cleanside.ingest.planning.visit_problem import PartSupply, VisitProblem


@dataclass(frozen=True, kw_only=True)
class PartOrder:
    """Pieces to order. Days are those of the plan."""

    part: str
    pieces: int
    order_day: int  # by then, >= 0
    needed_day: int  # the first of the pieces
    in_stock: int
    is_late: bool  # ordered today it comes after `needed_day`


def orders_of(problem: VisitProblem, needed: Sequence[tuple[str, int]]) -> tuple[PartOrder, ...]:
    """The orders of a plan. needed : part and day of each piece."""
    days: dict[str, list[int]] = {}
    for part, day in needed:
        days.setdefault(part, []).append(day)
    found = (_order(problem, supply, sorted(days.get(supply.part, []))) for supply in problem.supplies)
    return tuple(order for order in found if order is not None)


def _order(problem: VisitProblem, supply: PartSupply, days: list[int]) -> PartOrder | None:
    missing = [day for day in days[supply.pieces :] if day - supply.lead_days < problem.days]
    if not missing:
        return None
    return PartOrder(
        part=supply.part,
        pieces=len(missing),
        order_day=max(0, missing[0] - supply.lead_days),
        needed_day=missing[0],
        in_stock=supply.pieces,
        is_late=missing[0] < supply.lead_days,
    )
