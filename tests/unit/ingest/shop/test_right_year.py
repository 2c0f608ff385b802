"""A day of a wrong year, and the day that is offered instead."""

from __future__ import annotations

from datetime import date

import pytest

from cleanside.ingest.shop.right_year import done_in, planned_in

TODAY = date(2026, 2, 22)


@pytest.mark.parametrize(
    ("written", "offered"),
    [
        ("2027-02-20", "2026-02-20"),  # a year ahead
        ("2026-12-30", "2025-12-30"),  # written in the new year
        ("1926-02-20", "2026-02-20"),
        ("2016-03-01", "2025-03-01"),
        ("2026-02-20", None),  # it is right
        ("2026-02-24", None),  # two days ahead: too early, not a wrong year
        ("2026-03-25", None),
        ("2026-03-26", "2025-03-26"),
        ("2028-02-29", None),  # no such day
    ],
)
def test_work_was_done_on_the_last_such_day(written: str, offered: str | None) -> None:
    found = done_in(date.fromisoformat(written), today=TODAY)
    assert (found and found.isoformat()) == offered


@pytest.mark.parametrize(
    ("written", "offered"),
    [
        ("2027-03-10", "2026-03-10"),  # a year ahead
        ("2025-03-10", "2026-03-10"),  # a year back
        ("2026-01-05", None),  # over; in the next year it is too far off to be meant
        ("2027-08-10", None),
        ("2026-03-10", None),
    ],
)
def test_a_plan_is_for_the_next_such_day(written: str, offered: str | None) -> None:
    found = planned_in(date.fromisoformat(written), today=TODAY)
    assert (found and found.isoformat()) == offered


def test_a_plan_of_december_reaches_into_the_next_year() -> None:
    assert planned_in(date(2026, 1, 8), today=date(2026, 12, 1)) == date(2027, 1, 8)
