"""
The mark of a stream: which numbers arrived, are shed or missing; and how a batch changes it.

"Covered" below: stored, quarantined, or declared shed.
Promises: pure. `mark` is contiguous: every number 1..mark is covered. Numbers beyond a gap form an island,
and the mark moves past islands when the gap closes. Two batches may come in any order (a mark at the highest
number seen lost 1.3 % of readings in trials).
Leaves to others: the rows (`ingest.store`), locking the stream meanwhile.

Ranges are tuples of (first, last), both included, in order, disjoint and not touching each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

Range = tuple[int, int]
Ranges = tuple[Range, ...]

# ---------------------------------------------------------------- ranges


def ranges_of(numbers: Sequence[int]) -> Ranges:
    """Ranges of numbers that rise strictly."""
    if not len(numbers):
        return ()
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        return ((numbers[0], numbers[-1]),)
    edges = [i for i, (a, b) in enumerate(pairwise(numbers)) if b != a + 1]
    starts = [0, *(i + 1 for i in edges)]
    ends = [*edges, len(numbers) - 1]
    return tuple((numbers[a], numbers[b]) for a, b in zip(starts, ends, strict=True))


def union(*parts: Iterable[Range]) -> Ranges:
    """All numbers of the parts, which may overlap and touch."""
    merged: list[Range] = []
    for first, last in sorted(r for part in parts for r in part):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        else:
            merged.append((first, last))
    return tuple(merged)


def subtract(ranges: Iterable[Range], taken: Ranges) -> Ranges:
    """The numbers of `ranges` without those of `taken`. Both in order and disjoint."""
    left: list[Range] = []
    for first, last in ranges:
        for a, b in taken:
            if b < first:
                continue
            if a > last:
                break
            if a > first:
                left.append((first, a - 1))
            first = b + 1
        if first <= last:
            left.append((first, last))
    return tuple(left)


def intersect(a: Ranges, b: Ranges) -> Ranges:
    """The numbers that are in both."""
    both: list[Range] = []
    i = j = 0
    while i < len(a) and j < len(b):
        first, last = max(a[i][0], b[j][0]), min(a[i][1], b[j][1])
        if first <= last:
            both.append((first, last))
        if a[i][1] < b[j][1]:
            i += 1
        else:
            j += 1
    return tuple(both)


def count(ranges: Iterable[Range]) -> int:
    """How many numbers."""
    return sum(last - first + 1 for first, last in ranges)


# ---------------------------------------------------------------- marks


@dataclass(frozen=True, slots=True)
class Shed:
    """Numbers first..last that the gateway deleted unsent, and why."""

    first: int
    last: int
    reason: str


@dataclass(frozen=True, slots=True)
class Marks:
    """The numbers of a stream: mark, highest, islands and shed ranges."""

    #: every number 1..mark is covered
    mark: int = 0
    #: the highest number seen, sent or declared shed
    highest: int = 0
    #: covered, beyond the mark
    islands: Ranges = ()
    #: declared shed and never arrived, at least those near the numbers in question
    shed: tuple[Shed, ...] = ()

    @property
    def covered(self) -> Ranges:
        """Stored, quarantined or declared shed."""
        return ((1, self.mark), *self.islands) if self.mark else self.islands

    @property
    def gaps(self) -> Ranges:
        """At or below the highest seen, and not covered."""
        return subtract([(1, self.highest)], self.covered) if self.highest else ()


def meets(marks: Marks, first: int, last: int) -> bool:
    """True if any number first..last may be covered already; False lets a batch skip the query."""
    return first <= marks.mark or any(a <= last and first <= b for a, b in marks.islands)


def split_seen(marks: Marks, numbers: Ranges) -> tuple[Ranges, Ranges]:
    """
    Divide numbers into those that arrived before and new ones.

    A number that was declared shed and arrives after all is new: stored outranks shed.
    """
    shed = tuple((s.first, s.last) for s in marks.shed)
    arrived = subtract(intersect(marks.covered, numbers), shed)
    return arrived, subtract(numbers, arrived)


def advance(marks: Marks, *, held: Ranges, shed: Iterable[Shed] = ()) -> Marks:
    """
    The marks after a batch.

    held : numbers that are now stored or quarantined, new ones at least.
    shed : as declared; numbers that arrived, or were declared before, keep their state.
    """
    known_shed = tuple((s.first, s.last) for s in marks.shed)
    held_before = subtract(marks.covered, known_shed)
    arrived = union(held_before, held)
    left = [
        Shed(first, last, s.reason) for s in marks.shed for first, last in subtract([(s.first, s.last)], held)
    ]
    declared: list[Shed] = []
    for entry in shed:
        fresh = subtract(subtract([(entry.first, entry.last)], arrived), known_shed)
        declared += [Shed(first, last, entry.reason) for first, last in fresh]
    now_shed = _joined([*left, *declared])
    covered = union(arrived, known_shed, [(s.first, s.last) for s in declared])
    leading = bool(covered) and covered[0][0] == 1
    highest = max(marks.highest, covered[-1][1]) if covered else marks.highest
    return Marks(
        mark=covered[0][1] if leading else 0,
        highest=highest,
        islands=covered[1:] if leading else covered,
        shed=now_shed,
    )


def _joined(entries: list[Shed]) -> tuple[Shed, ...]:
    """Neighbours with the same reason become one range, so that their number stays bounded."""
    joined: list[Shed] = []
    for entry in sorted(entries, key=lambda s: s.first):
        if joined and joined[-1].last + 1 == entry.first and joined[-1].reason == entry.reason:
            joined[-1] = Shed(joined[-1].first, entry.last, entry.reason)
        else:
            joined.append(entry)
    return tuple(joined)
