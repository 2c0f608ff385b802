"""Marks: what is stored, shed and missing, against a plain set of numbers."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.store.marks import (
    Marks,
    Shed,
    advance,
    count,
    intersect,
    meets,
    ranges_of,
    split_seen,
    subtract,
    union,
)

numbers = st.sets(st.integers(1, 60))


def as_set(ranges: tuple[tuple[int, int], ...]) -> set[int]:
    return {n for first, last in ranges for n in range(first, last + 1)}


def as_ranges(found: set[int]) -> tuple[tuple[int, int], ...]:
    return ranges_of(sorted(found))


@given(numbers, numbers)
def test_ranges_do_what_sets_do(a: set[int], b: set[int]) -> None:
    ra, rb = as_ranges(a), as_ranges(b)
    assert as_set(ra) == a
    assert as_set(union(ra, rb)) == a | b
    assert as_set(subtract(ra, rb)) == a - b
    assert as_set(intersect(ra, rb)) == a & b
    assert count(ra) == len(a)


@given(numbers, numbers)
def test_ranges_neither_touch_nor_overlap(a: set[int], b: set[int]) -> None:
    for ranges in (union(as_ranges(a), as_ranges(b)), subtract(as_ranges(a), as_ranges(b))):
        assert all(last + 1 < first for (_, last), (first, _) in pairwise(ranges))


def test_the_mark_is_contiguous_and_leaps_over_islands_when_the_gap_closes() -> None:
    marks = advance(Marks(), held=((1, 3),))
    marks = advance(marks, held=((6, 8),))
    assert (marks.mark, marks.islands, marks.gaps) == (3, ((6, 8),), ((4, 5),))
    marks = advance(marks, held=((4, 5),))
    assert (marks.mark, marks.islands, marks.gaps, marks.highest) == (8, (), (), 8)


def test_a_batch_that_starts_beyond_one_leaves_the_mark_at_nothing() -> None:
    marks = advance(Marks(), held=((5, 9),))
    assert (marks.mark, marks.highest, marks.gaps) == (0, 9, ((1, 4),))


def test_declared_shed_moves_the_mark_and_explains_the_gap() -> None:
    marks = advance(Marks(), held=((1, 3), (7, 9)))
    marks = advance(marks, held=(), shed=[Shed(4, 6, "disk_budget")])
    assert (marks.mark, marks.gaps) == (9, ())
    assert marks.shed == (Shed(4, 6, "disk_budget"),)


def test_a_number_that_arrived_is_never_shed() -> None:
    marks = advance(Marks(), held=((1, 5),))
    marks = advance(marks, held=(), shed=[Shed(4, 8, "disk_budget")])
    assert marks.shed == (Shed(6, 8, "disk_budget"),)


def test_a_reading_that_comes_for_a_shed_number_shrinks_the_range() -> None:
    marks = advance(Marks(), held=(), shed=[Shed(1, 9, "disk_budget")])
    marks = advance(marks, held=((4, 5),))
    assert marks.shed == (Shed(1, 3, "disk_budget"), Shed(6, 9, "disk_budget"))
    assert marks.mark == 9


def test_a_number_keeps_the_reason_of_its_first_shedding() -> None:
    marks = advance(Marks(), held=(), shed=[Shed(1, 4, "disk_budget")])
    marks = advance(marks, held=(), shed=[Shed(3, 6, "pruned_after_ack")])
    assert marks.shed == (Shed(1, 4, "disk_budget"), Shed(5, 6, "pruned_after_ack"))


def test_shed_ranges_that_touch_with_one_reason_become_one() -> None:
    marks = advance(Marks(), held=(), shed=[Shed(1, 4, "disk_budget")])
    marks = advance(marks, held=(), shed=[Shed(5, 6, "disk_budget")])
    assert marks.shed == (Shed(1, 6, "disk_budget"),)


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [(1, 1, True), (10, 12, True), (11, 12, False), (18, 25, True), (31, 99, False)],
)
def test_only_a_batch_that_meets_nothing_skips_the_look_up(first: int, last: int, expected: bool) -> None:
    marks = Marks(mark=10, highest=30, islands=((20, 30),))
    assert meets(marks, first, last) is expected


def test_a_shed_number_that_comes_counts_as_new() -> None:
    marks = Marks(mark=9, highest=9, shed=(Shed(4, 5, "disk_budget"),))
    held, new = split_seen(marks, ((3, 12),))
    assert held == ((3, 3), (6, 9))
    assert new == ((4, 5), (10, 12))


@given(st.lists(st.tuples(numbers, numbers), max_size=8))
def test_marks_follow_plain_sets_through_any_batches(batches: list[tuple[set[int], set[int]]]) -> None:
    """Model: plain sets. Held numbers are never shed, in whatever order they are declared and come."""
    marks = Marks()
    held: set[int] = set()
    shed: set[int] = set()
    for come, given_up in batches:
        given_up = given_up - come
        declared = [Shed(a, b, "disk_budget") for a, b in as_ranges(given_up)]
        marks = advance(marks, held=as_ranges(come), shed=declared)
        held |= come
        shed = (shed | given_up) - held
        covered = held | shed
        assert as_set(marks.covered) == covered
        assert as_set(tuple((s.first, s.last) for s in marks.shed)) == shed
        assert marks.highest == max(covered, default=0)
        assert as_set(marks.gaps) == set(range(1, marks.highest + 1)) - covered
        assert marks.mark == next(n for n in range(62) if n + 1 not in covered)
