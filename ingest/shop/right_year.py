"""
A day of a wrong year: the same day of the year in which it can be meant.

Promises: pure. Nothing is corrected by itself; a person is offered the day.
"""

from __future__ import annotations

from datetime import date, timedelta

from cleanside.ingest.shop.day_asked import FAR_DAYS

#: work so little ahead is entered too early: its year is right, its day is not (chosen: a month)
SOON_DAYS = 31
YEAR_DAYS = 364  # one day less than a year, so that a day of the calendar lies in it once


def done_in(day: date, *, today: date) -> date | None:
    """
    The last such day of the calendar, for work that was done.

    None: it is that day, it lies ahead by SOON_DAYS at most, or 29 February.
    """
    if timedelta() < day - today <= timedelta(days=SOON_DAYS):
        return None
    return _between(day, today - timedelta(days=YEAR_DAYS), today)


def planned_in(day: date, *, today: date) -> date | None:
    """The next such day of the calendar, for a plan; None: as above, or it is too far off to be meant."""
    return _between(day, today, today + timedelta(days=FAR_DAYS))


def _between(day: date, first: date, last: date) -> date | None:
    for year in {first.year, last.year} - {day.year}:
        try:
            found = day.replace(year=year)
        except ValueError:  # 29 February of a year without one
            continue
        if first <= found <= last:
            return found
    return None
