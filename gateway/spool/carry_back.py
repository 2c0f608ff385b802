"""
What the server had of a salvaged stream and lost: carried back from the files set aside, piece by piece.

Promises: the spool needs room for one piece at a time: the next one follows once the server has the one
before. Each number is carried back once, or declared shed, reason `pruned_after_ack`. The work continues
after a restart.
Leaves to others: reading the files (`gateway.spool.rescue`), whether there is room (`gateway.spool.queue`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import apsw

from cleanside.gateway.spool.aside import set_aside_files
from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.pages import Pages, read_pages
from cleanside.gateway.spool.rescue import PIECE, carry_back, is_salvaged
from cleanside.gateway.spool.rewind import declare_holes, holes, set_back
from cleanside.gateway.spool.state import StreamRow, stream_rows

_NOTE: Final = "carry_back"  # stream -> the number carried back through, and the one at which that ends


def begin(connection: apsw.Connection, row: StreamRow, through: int) -> bool:
    """
    Set the mark of a salvaged stream back to `through`; from now on what is missing there is carried back.

    In the caller's transaction. False where nothing is missing, or it is no salvaged stream.
    """
    if not is_salvaged(row) or not 0 <= through < row.acknowledged_through:
        return False
    spans = _spans(connection)
    # Only up to the last missing one: what is here behind it may be in no file any more, and is not put back.
    missing = [end for _, end in holes(connection, row, through + 1, row.acknowledged_through)]
    last = max([*missing[-1:], spans.get(row.stream, (0, 0))[1]], default=0)
    if not last:
        return False
    set_back(connection, row, through)
    set_note(connection, _NOTE, {**spans, row.stream: (through, last)})
    return True


def is_unfinished(connection: apsw.Connection) -> bool:
    """True while the files set aside have numbers that have yet to be carried back."""
    return bool(_spans(connection))


def left_aside(connection: apsw.Connection, row: StreamRow) -> range:
    """The numbers of a stream that have yet to be carried back; mostly none."""
    through, last = _spans(connection).get(row.stream, (0, 0)) if is_salvaged(row) else (0, 0)
    return range(through + 1, last + 1)


def as_far_as_carried(connection: apsw.Connection, row: StreamRow) -> StreamRow:
    """The stream up to the last number that can be sent now."""
    left = left_aside(connection, row)
    return replace(row, last_position=row.position(left.start - 1)) if left else row


def next_to_carry(connection: apsw.Connection) -> StreamRow | None:
    """The first stream of which the server has all that was carried back so far; None: there is none."""
    spans = _spans(connection)
    for row in stream_rows(connection) if spans else ():
        if row.stream in spans and row.acknowledged_through >= spans[row.stream][0]:
            return row
    return None


def carry_piece(connection: apsw.Connection, row: StreamRow, files: Sequence[Pages]) -> None:
    """
    Carry back the next numbers of a stream, in the caller's transaction.

    files : what was set aside, the newest first. row : as it is in this transaction.
    """
    spans = dict(_spans(connection))
    through, last = spans.pop(row.stream)
    first = max(through, row.acknowledged_through) + 1  # the server may have had more than it said
    end = min(first + PIECE - 1, last) if files else last
    if first <= end:
        for pages in files:
            carry_back(connection, pages, row, first, end)
        declare_holes(connection, row, first, end)
    if end < last:
        spans[row.stream] = (end, last)
    set_note(connection, _NOTE, spans)


def put_back(connection: apsw.Connection, *, most: int, in_flight: range) -> int:
    """
    Delete some of what was carried back, the last first: the files have it still. Returns how many readings.

    most : numbers of a stream. in_flight : positions that stay. The numbers are carried back again later.
    """
    spans, deleted = dict(_spans(connection)), 0
    for row in stream_rows(connection) if spans else ():
        if row.stream in spans:
            through, last = spans[row.stream]
            sent = in_flight.stop - 1 if in_flight and row.holds(in_flight[0]) else row.first_position - 1
            begin_at = max(row.acknowledged_through, row.seq(sent), through - most) + 1
            query = "DELETE FROM readings WHERE position BETWEEN ? AND ?"
            connection.execute(query, (row.position(begin_at), row.position(through)))
            deleted += connection.changes()
            spans[row.stream] = (max(begin_at - 1, 0), last)
    if deleted:
        set_note(connection, _NOTE, spans)
    return deleted


def _spans(connection: apsw.Connection) -> Mapping[str, tuple[int, int]]:
    value = read_note(connection, _NOTE)
    return {} if value is None else {stream: tuple(span) for stream, span in json.loads(value).items()}


class SetAsidePages:
    """The files that were set aside of one spool, each read once as long as they are needed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._pages: dict[Path, Pages] = {}

    def newest_first(self) -> list[Pages]:
        """All that are there now."""
        self._pages = {
            aside: self._pages.get(aside) or read_pages(aside) for aside in set_aside_files(self._path)
        }
        return list(self._pages.values())

    def forget(self) -> None:
        """They are not needed any more."""
        self._pages = {}
