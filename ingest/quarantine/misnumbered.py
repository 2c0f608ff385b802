"""
Readings under numbers that were mistyped far ahead leave the numbering of their stream.

Such a number opens a gap that nothing will ever fill. A person says from which number on the readings are
wrong: they are given up, and the stream goes on from the highest number below.
Promises: each stays on record whole, under the number as sent, and an undo brings all of it back. The mark
never moves. A number that left is free: another reading may have it later. What left and comes again as it
was is a repeat (`ingest.checking.repeats`).
Leaves to others: who may do it (`ingest.api.routes`), the amendment and its undo (`ingest.quarantine.amend`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from cleanside.gateway.wire import Doubt
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.quarantine.withdrawing import withdraw
from cleanside.ingest.store import quarantine, streams
from cleanside.ingest.store.marks import (
    Marks,
    Ranges,
    Shed,
    advance,
    count,
    intersect,
    ranges_of,
    subtract,
    union,
)
from cleanside.ingest.store.quarantine import DISCARDED, RELEASED, QuarantineRow
from cleanside.ingest.store.streams import Stream

MISNUMBERED: Final = "misnumbered"  # kind of the amendment
MOST_MISNUMBERED: Final = 5_000  # readings at once, as of every amendment; so many are no slip of a finger


@dataclass(frozen=True, slots=True)
class LeftNumbering:
    """What has left the numbering of a stream."""

    #: in quarantine, not yet given up
    entries: list[QuarantineRow]
    #: ids of those that were stored
    were_stored: frozenset[int]
    #: declared shed, from the number on
    shed: tuple[Shed, ...]


def leave(connection: sa.Connection, stream: Stream, first: int, doubt: Doubt, now_us: int) -> LeftNumbering:
    """
    Take everything from number `first` on out of the numbering of a locked stream.

    doubt : why. Raises Refused (422) for a number up to the mark or above the highest, or for too many.
    """
    marks = streams.marks_of(connection, stream)
    numbers = _numbers_from(marks, first)
    doubts = {number: doubt for a, b in numbers for number in range(a, b + 1)}
    stored = set(withdraw(connection, stream, doubts, now_us))
    rows = [row for found in quarantine.seen(connection, stream.id, numbers).values() for row in found]
    # Some count for nothing already: second readings that were given up or are stored elsewhere.
    ids = [row.id for row in rows if row.state != RELEASED and not (row.beside and row.state == DISCARDED)]
    entries = quarantine.by_ids(connection, stream.owner_id, ids)
    after, shed = _without(marks, first)
    _save(connection, stream, marks, after)
    were_stored = frozenset(entry.id for entry in entries if entry.seq in stored and not entry.beside)
    return LeftNumbering(entries, were_stored, shed)


def come_back(connection: sa.Connection, stream: Stream, numbers: Ranges, shed: Iterable[Shed]) -> bool:
    """Number them again in a locked stream. False: some of the numbers are taken by now; nothing changes."""
    marks, shed = streams.marks_of(connection, stream), tuple(shed)
    if intersect(marks.covered, union(numbers, [(s.first, s.last) for s in shed])):
        return False
    _save(connection, stream, marks, advance(marks, held=numbers, shed=shed))
    return True


def before_of(left: LeftNumbering) -> list[tuple[int, dict[str, Any]]]:
    """What undoes it: each entry with its snapshot, and what that does not say."""
    return [
        (
            entry.id,
            quarantine.snapshot(entry) | {"beside": entry.beside, "stored": entry.id in left.were_stored},
        )
        for entry in left.entries
    ]


def own_numbers(entries: Sequence[QuarantineRow], beside: Iterable[int]) -> Ranges:
    """The numbers that entries had for themselves. beside : ids of those whose number another one had."""
    others = frozenset(beside)
    return ranges_of(sorted({entry.seq for entry in entries if entry.id not in others}))


def _numbers_from(marks: Marks, first: int) -> Ranges:
    """The numbers from one on that arrived."""
    if first <= marks.mark:
        raise NotValid(Complaint("#/first", "up_to_the_mark", first=first, mark=marks.mark))
    if first > marks.highest:
        raise NotValid(Complaint("#/first", "above_the_highest", first=first, highest=marks.highest))
    shed = union((s.first, s.last) for s in marks.shed)
    numbers = subtract(intersect(marks.islands, ((first, marks.highest),)), shed)
    if (many := count(numbers)) > MOST_MISNUMBERED:
        raise NotValid(
            Complaint("#/first", "too_many_misnumbered", first=first, readings=many, most=MOST_MISNUMBERED)
        )
    return numbers


def _without(marks: Marks, first: int) -> tuple[Marks, tuple[Shed, ...]]:
    """The marks as if nothing from `first` on had come, and what was declared shed there. Pure."""
    left = [Shed(s.first, min(s.last, first - 1), s.reason) for s in marks.shed if s.first < first]
    gone = tuple(Shed(max(s.first, first), s.last, s.reason) for s in marks.shed if s.last >= first)
    islands = subtract(marks.islands, ((first, marks.highest),))
    highest = islands[-1][1] if islands else marks.mark
    return Marks(mark=marks.mark, highest=highest, islands=islands, shed=tuple(left)), gone


def _save(connection: sa.Connection, stream: Stream, before: Marks, after: Marks) -> None:
    timeless = stream._replace(tail_seq=None, tail_us=None)  # the last reading is another one
    heard_us = stream.last_heard_us
    streams.save(connection, timeless, before, after, None, duplicates=0, conflicts=0, now_us=heard_us)
