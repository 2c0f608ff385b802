"""
Which work list a person asks for: its days, a site, a crew.

Promises: a last day that cannot be is said at the form of the list, with the right year where that is what is
wrong; the list below is then that of the next days.
Leaves to others: the list itself (`ingest.api.routes.work`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, NamedTuple
from urllib.parse import urlencode

from fastapi import Depends, Query
from fastapi.exceptions import RequestValidationError

from cleanside.ingest.api.routes.paper_shapes import Day
from cleanside.ingest.api.routes.shared import Name, Strict
from cleanside.ingest.api.routes.work import list_days
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.forms import read_form
from cleanside.ingest.console.right_days import right_day
from cleanside.ingest.errors import NotValid
from cleanside.ingest.shop.right_year import planned_in

_Group = Annotated[Name | None, Query(pattern=r"^[A-Za-z0-9:._-]{0,64}$")]


class ListWanted(NamedTuple):
    """What is asked for; None: left out."""

    before: str | None  # as it was written
    site: str | None
    crew: str | None

    @classmethod
    def of_form(cls, kept: Mapping[str, str]) -> ListWanted:
        """The list that a form came from, by its hidden fields."""
        return cls(*(kept.get(f"asked_{name}") or None for name in cls._fields))

    @property
    def address(self) -> str:
        """Of its page."""
        query = urlencode({name: value for name, value in self._asdict().items() if value})
        return f"/work-list?{query}" if query else "/work-list"


def _wanted(before: Annotated[str, Query()] = "", site: _Group = None, crew: _Group = None) -> ListWanted:
    return ListWanted(before.strip() or None, site or None, crew or None)


Wanted = Annotated[ListWanted, Depends(_wanted)]


class _End(Strict):
    before: Day | None


def day_of(wanted: ListWanted) -> str | None:
    """The first day that is no longer on the list. Raises RequestValidationError for what is no day."""
    return read_form(_End, {"before": wanted.before}).before


class RefusedEnd(NamedTuple):
    """A last day that cannot be."""

    faults: tuple[FieldFault, ...]
    written: str
    right: ListWanted | None  # the same list in the year that can be meant
    right_day: str | None  # of it, ISO 8601


def refused_end(wanted: ListWanted, now_s: float, zone: str) -> RefusedEnd | None:
    """What is wrong with the last day; None: nothing."""
    try:
        days = list_days(now_s, None, zone)
        list_days(now_s, day_of(wanted), zone)
    except (NotValid, RequestValidationError) as wrong:
        faults = field_faults(wrong)
        found = right_day(faults, wanted.before or "", days.today, planned_in)
        right: Any = None
        if found is not None and refused_end(wanted._replace(before=found), now_s, zone) is None:
            right = wanted._replace(before=found)
        return RefusedEnd(faults, wanted.before or "", right, None if right is None else found)
    return None
