"""
What a shop enters for its plan of visits, and what the plan assumes where nothing is entered.

Promises: pure. A plan names every figure that it assumed; none of them is a recommendation. The plan of
visits and the work list work on the same days.
Leaves to others: keeping them (`ingest.store.planning_terms`), asking for them (`ingest.api.routes`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date, timedelta
from functools import cached_property
from typing import Any

#: field -> value while nothing is entered; all chosen, prices of about the size of a small shop's in EUR
ASSUMED: Mapping[str, Any] = {
    "people": 1,
    "hours_per_day": 8.0,
    "working_days": "12345",
    "change_hours": 1.0,
    "stop_price": 60.0,
    "km_price": 0.8,
    "over_price_per_day": 30.0,
    "move_price": 10.0,
    "chance_allowed": 0.1,
    "element_price": 150.0,
}
MOST_OFF_DAYS = 62  # on end; beyond that a day stays where it is; chosen
#: of a site that no way is entered for
ASSUMED_TRIP_KM, ASSUMED_TRIP_HOURS = 30.0, 0.75


@dataclass(frozen=True, kw_only=True)
class ShopTerms:
    """Prices in one currency, people and rules. None: not entered."""

    currency: str | None = None  # ISO 4217
    people: int | None = None  # who change elements, on a working day
    hours_per_day: float | None = None  # of each of them, driving included
    working_days: str | None = None  # days of the week by ISO 8601, 1 is Monday: "12345"
    days_off: str | None = None  # ISO 8601, a blank between two: no element is changed on them
    change_hours: float | None = None  # of one person for one change
    stop_price: float | None = None  # a machine stands for a change
    km_price: float | None = None  # of driving, with whoever drives
    over_price_per_day: float | None = None  # a machine works past its limit
    move_price: float | None = None  # a planned visit goes to another day
    chance_allowed: float | None = None  # that an element is at its limit before its visit, 0 to 1
    element_price: float | None = None  # element and work, where a machine has no price of its own
    fuel_l_per_h: float | None = None  # the same; with the price of fuel
    fuel_price_per_l: float | None = None

    def filled(self) -> dict[str, Any]:
        """Every field that a plan needs, assumed where it is not entered."""
        return dict(self._filled)

    @cached_property  # every machine of a list asks for them
    def _filled(self) -> dict[str, Any]:
        return {name: value if (at := getattr(self, name)) is None else at for name, value in ASSUMED.items()}

    def assumed(self) -> dict[str, Any]:
        """The fields of `filled` without an entry."""
        return {name: value for name, value in ASSUMED.items() if getattr(self, name) is None}

    def working(self) -> WorkingDays:
        """The days on which elements are changed."""
        return self._working

    @cached_property
    def _working(self) -> WorkingDays:
        return WorkingDays(self._filled["working_days"], frozenset((self.days_off or "").split()))


@dataclass(frozen=True)
class WorkingDays:
    """
    The days on which a shop changes elements.

    weekdays : by ISO 8601, 1 is Monday: "12345". days_off : ISO 8601; of those days none.
    """

    weekdays: str = "1234567"
    days_off: frozenset[str] = frozenset()

    def has(self, day: date) -> bool:
        """Are elements changed on a day."""
        return str(day.isoweekday()) in self.weekdays and day.isoformat() not in self.days_off

    def first(self, since: date, before: date) -> date:
        """The first of them from a day on; that day itself where none comes before the end."""
        ahead = min((before - since).days, MOST_OFF_DAYS)
        return next((day for n in range(ahead) if self.has(day := since + timedelta(days=n))), since)

    def last(self, until: date, since: date, before: date) -> date:
        """The last of them up to a day, from another on; where there is none, the first of them after it."""
        back = min((until - since).days, MOST_OFF_DAYS)
        found = (day for n in range(back + 1) if self.has(day := until - timedelta(days=n)))
        return next(found, None) or self.first(max(since, until), before)


EVERY_DAY = WorkingDays()
#: names of what is entered
TERM_FIELDS = tuple(field.name for field in fields(ShopTerms))
