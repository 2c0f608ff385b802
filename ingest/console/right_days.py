"""A date that is refused because its year is wrong: the same day of the right year, sent with one button."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date

from cleanside.ingest.console.field_faults import FieldFault

#: the button of a refused form that sends its day in another year
RIGHT_DAY = "right_day"
#: what is wrong with a day whose year may be mistyped
OF_THE_YEAR = frozenset({"change_ahead", "change_long_ago", "planned_day_over", "planned_day_beyond"})
OF_THE_YEAR |= {"planned_day_far", "planned_day_too_late", "planned_day_reached", "list_ends_elsewhere"}
DAY_CHARACTERS = 10  # of a day with a time of the clock behind it, ISO 8601


def right_day(
    faults: Iterable[FieldFault], written: str, today: date, right: Callable[..., date | None]
) -> str | None:
    """
    The day of a refused field in the year that can be meant, ISO 8601; None: its year is right.

    written : the field, a day or a day with a time. right : of `right_year`.
    """
    if not OF_THE_YEAR & {fault.code for fault in faults}:
        return None
    try:
        day = date.fromisoformat(written.strip()[:DAY_CHARACTERS])
    except ValueError:
        return None
    found = right(day, today=today)
    return None if found is None else found.isoformat()


def in_right_year(written: str, day: str) -> str:
    """A field with its day in place of the one that was written; its time stays."""
    return f"{day}{written.strip()[DAY_CHARACTERS:]}" if day else written
