"""What a person is asked about a day before it is planned."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from cleanside.ingest.planning.shop_terms import EVERY_DAY, WorkingDays
from cleanside.ingest.shop.day_asked import day_questions

TODAY = date(2026, 11, 29)
WEEK = WorkingDays("12345", frozenset({"2026-12-08"}))


@pytest.mark.parametrize(
    ("on", "chance", "working", "questions"),
    [
        (date(2027, 12, 2), 0.99, WEEK, ("too_late",)),
        (date(2026, 12, 5), 0.55, WEEK, ("too_late", "no_work")),
        (date(2026, 12, 2), 0.3, WEEK, ()),
        (date(2026, 12, 5), 0.3, WEEK, ("no_work",)),
        (date(2026, 12, 5), 0.3, EVERY_DAY, ()),
        (date(2026, 12, 8), None, WEEK, ("no_work",)),
        (date(2027, 12, 2), None, WEEK, ("far",)),
        (date(2027, 1, 14), None, WEEK, ()),
    ],
)
def test_what_is_asked_about_a_day(
    on: date, chance: float | None, working: WorkingDays, questions: tuple[str, ...]
) -> None:
    assert day_questions(on, today=TODAY, chance=chance, working=working) == questions


@pytest.mark.parametrize(
    ("on", "questions"),
    [(29, ("no_work",)), (30, ()), (31, ("reached",)), (45, ("reached",)), (36, ("reached", "no_work"))],
)
def test_over_the_limit_only_the_first_working_day_is_not_asked_about(
    on: int, questions: tuple[str, ...]
) -> None:
    """29 November 2026 is a Sunday. on : days from the last of October."""
    day = date(2026, 10, 31) + timedelta(days=on)
    assert day_questions(day, today=TODAY, chance=1.0, working=WEEK, is_over=True) == questions
