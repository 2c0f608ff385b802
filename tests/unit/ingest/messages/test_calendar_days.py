"""When an event of a calendar moves. SEQUENCE: RFC 5545, section 3.8.7.4."""

from __future__ import annotations

from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.messages.calendar_days import DAY_US, WantedDay, moves_of
from cleanside.ingest.store.calendars import ShownDay

VIENNA = ZoneInfo("Europe/Vienna")
NOW = parse_instant("2026-03-02T09:00:00Z").us
HOUR_US = DAY_US // 24


def likely(days: float) -> WantedDay:
    return WantedDay(event="change/grader-07/main", date_us=NOW + int(days * DAY_US))


def followed(*wanted: WantedDay, zone: ZoneInfo = VIENNA) -> list[ShownDay]:
    """The day after each look, an hour apart."""
    shown: dict[str, ShownDay] = {}
    found = []
    for number, one in enumerate(wanted):
        shown |= moves_of([one], shown, zone, NOW + number * HOUR_US)
        found.append(shown[one.event])
    return found


def test_an_event_moves_when_its_date_moves_by_a_day_and_not_before() -> None:
    first, near, still, moved = followed(likely(10), likely(10.9), likely(9.1), likely(11))
    assert (first.day, first.sequence) == ("2026-03-12", 0)
    assert first == near == still
    assert (moved.day, moved.sequence, moved.moved_us) == ("2026-03-13", 1, NOW + 3 * HOUR_US)


def test_small_steps_add_up() -> None:
    """Compared is the date at the last move, not the one before."""
    days = followed(*(likely(10 + step * 0.3) for step in range(8)))
    assert [day.sequence for day in days] == [0, 0, 0, 0, 1, 1, 1, 1]


def test_a_planned_day_is_followed_at_once() -> None:
    planned = WantedDay(event="change/grader-07/main", on="2026-03-05")
    later = WantedDay(event="change/grader-07/main", on="2026-03-06")
    days = followed(likely(3), planned, planned, later)
    assert [(day.day, day.sequence) for day in days] == [
        ("2026-03-05", 0),
        ("2026-03-05", 0),
        ("2026-03-05", 0),
        ("2026-03-06", 1),
    ]


def test_what_is_due_now_comes_to_today_and_stays_there() -> None:
    due = WantedDay(event="change/grader-07/main")
    ahead, today, *later = followed(likely(10), due, *[due] * 60)
    assert (ahead.day, today.day, today.sequence) == ("2026-03-12", "2026-03-02", 1)
    assert set(later) == {today}


def test_the_day_is_that_of_the_zone() -> None:
    late = WantedDay(event="x", date_us=parse_instant("2026-03-28T23:30:00Z").us)
    assert followed(late)[0].day == "2026-03-29"
    assert followed(late, zone=ZoneInfo("America/Lima"))[0].day == "2026-03-28"


@given(st.lists(st.floats(0, 60), min_size=1, max_size=40))
def test_an_event_never_lies_a_day_off_and_its_sequence_counts_its_moves(dates: list[float]) -> None:
    days = followed(*map(likely, dates))
    for wanted, day in zip(dates, days, strict=True):
        assert abs(NOW + int(wanted * DAY_US) - day.date_us) < DAY_US
    moves = sum(before != after for before, after in pairwise(days))
    assert days[-1].sequence == moves
