"""The days on which a shop works: by the week, without its days off, and never without an end."""

from __future__ import annotations

from datetime import date, timedelta

from cleanside.ingest.planning.shop_terms import ShopTerms, WorkingDays

MONDAY = date(2026, 12, 21)
CHRISTMAS = ShopTerms(days_off="2026-12-24 2026-12-25").working()


def day(number: int) -> date:
    """A day of December 2026."""
    return date(2026, 12, number)


def test_nothing_entered_is_monday_to_friday() -> None:
    assert [ShopTerms().working().has(MONDAY + timedelta(days=n)) for n in range(7)] == [True] * 5 + [
        False
    ] * 2


def test_the_first_day_from_one_on_leaves_weekends_and_days_off_out() -> None:
    assert CHRISTMAS.first(day(24), day(31)) == day(28)
    assert CHRISTMAS.first(day(24), day(27)) == day(24), "none comes before the end"
    assert WorkingDays("").first(day(1), date.max) == day(1), "no day at all"


def test_the_last_day_up_to_one_is_never_before_the_first() -> None:
    assert CHRISTMAS.last(day(27), day(21), day(31)) == day(23)
    assert CHRISTMAS.last(day(27), day(24), day(31)) == day(28), "none was left: the first after it"
    assert CHRISTMAS.last(date.max - timedelta(days=400), day(21), date.max) <= date.max - timedelta(days=400)
