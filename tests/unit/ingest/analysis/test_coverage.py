"""How readings came, told from one reading of each hour and from the numbers."""

from __future__ import annotations

from cleanside.ingest.analysis.coverage import HOUR_S, MICRO, CameSpan, between, is_within, of_hours, together
from cleanside.ingest.store.coverage import HourCame
from cleanside.ingest.store.fleet import Assignment

FIRST = 480_000  # whole hours since 1970


def hour(number: int, first: int, last: int, *, came_after_s: float | None = 5.0) -> HourCame:
    at_s = (FIRST + number) * HOUR_S
    received = None if came_after_s is None else int((at_s + came_after_s) * 1e6)
    return HourCame(FIRST + number, first, last, last - first + 1, received)


def ways(spans: list[CameSpan]) -> list[tuple[str, int, int]]:
    return [(s.came, s.from_s // HOUR_S - FIRST, s.until_s // HOUR_S - FIRST) for s in spans]


def test_what_came_within_its_hour_is_live_and_what_came_a_day_later_is_late() -> None:
    hours = [hour(0, 1, 360), hour(1, 361, 720, came_after_s=86_400.0)]
    assert ways(list(of_hours(hours, ()))) == [("live", 0, 1), ("late", 1, 2)]


def test_what_came_while_a_bundle_was_taken_in_came_by_it() -> None:
    late = hour(0, 1, 360, came_after_s=86_400.0)
    assert late.received_us is not None
    span = (late.received_us - 1_000_000, late.received_us + 1_000_000)
    assert ways(list(of_hours([late], [span]))) == [("bundle", 0, 1)]


def test_of_the_archive_nothing_is_said_but_that_it_is_there() -> None:
    assert ways(list(of_hours([hour(0, 1, 360, came_after_s=None)], ()))) == [("live", 0, 1)]


def test_numbers_that_are_missing_lie_between_their_neighbours() -> None:
    hours = [hour(0, 1, 300), hour(5, 401, 700)]
    found = list(between(hours, ((301, 400),), "missing"))
    assert ways(found) == [("missing", 1, 5)]
    assert found[0].readings == 100


def test_numbers_within_an_hour_and_after_the_last_are_found_too() -> None:
    hours = [hour(0, 1, 300)]
    assert [span.readings for span in between(hours, ((10, 19), (301, 350)), "quarantined")] == [10, 50]


def test_a_number_that_is_only_left_out_is_not_called_missing() -> None:
    """Numbers of another stream's turn, or quarantined ones, are none of these."""
    assert (
        next(iter(between([hour(0, 1, 300), hour(1, 401, 700)], ((800, 900),), "missing"))).from_s
        == (FIRST + 2) * HOUR_S
    )
    assert list(between([hour(0, 1, 300), hour(1, 401, 700)], (), "missing")) == []


def test_neighbours_of_one_kind_are_one_span_over_a_weekend() -> None:
    spans = list(of_hours([hour(0, 1, 2), hour(1, 3, 4), hour(60, 5, 6), hour(200, 7, 8)], ()))
    assert ways(together(spans)) == [("live", 0, 61), ("live", 200, 201)]
    assert together(spans)[0].readings == 6


def test_what_came_belongs_to_the_housing_where_it_was_measured() -> None:
    """A monitor moved at the beginning of the second hour."""
    moved_us = (FIRST + 1) * HOUR_S * MICRO
    old, new = (Assignment(0, 1, "d", 1, "main", "m", *span) for span in ((None, moved_us), (moved_us, None)))
    spans = list(of_hours([hour(0, 1, 9), hour(1, 10, 19), hour(2, 20, 29)], ()))
    assert [(is_within(span, old), is_within(span, new)) for span in spans] == [
        (True, False),
        (False, True),
        (False, True),
    ]
