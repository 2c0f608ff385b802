"""
Which prices the shop's lists and its plan of visits go by, and what a visit is worth beside an element.

Promises: pure. A price in another currency than the shop's is not used.
Leaves to others: where prices are kept, what follows from them (`visit_inputs`, `work_list`).
"""

from __future__ import annotations

from collections.abc import Iterable

from cleanside.ingest.planning.shop_terms import ASSUMED, ASSUMED_TRIP_HOURS, ASSUMED_TRIP_KM, ShopTerms
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.planning_terms import TripRow

ASSUMED_TRIP = TripRow(ASSUMED_TRIP_KM, ASSUMED_TRIP_HOURS)


def currency_of(entered: ShopTerms, prices: Iterable[HousingPrices | None]) -> str | None:
    """The shop's; where none is entered, the one in which all prices of machines are."""
    found = {one.currency for one in prices if one is not None}
    return entered.currency or (found.pop() if len(found) == 1 else None)


def is_foreign(prices: HousingPrices | None, currency: str | None) -> bool:
    """Are these prices in another currency than the shop's."""
    return prices is not None and prices.currency != currency


def share_of_visit(element_price: float, visit_price: float) -> float:
    """
    The share of a visit in what element and visit cost together, 0 to 1.

    A change that gives away this share of a life costs as much as the visit that it saves.
    """
    together = element_price + visit_price
    return visit_price / together if together > 0 else 0.0


def visit_share(
    entered: ShopTerms, prices: HousingPrices | None, trip: TripRow | None, currency: str | None
) -> float:
    """`share_of_visit` of a housing: a stop of its machine and a trip to its site. None: not entered."""
    terms, way = entered.filled(), ASSUMED_TRIP if trip is None else trip
    used = None if is_foreign(prices, currency) else prices
    element_price = terms["element_price"] if used is None else used.element_price
    return share_of_visit(element_price, terms["stop_price"] + way.km * terms["km_price"])


#: where no price is entered
ASSUMED_VISIT_SHARE = share_of_visit(
    ASSUMED["element_price"], ASSUMED["stop_price"] + ASSUMED_TRIP_KM * ASSUMED["km_price"]
)
