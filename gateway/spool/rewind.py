"""
Send again from a number on: by the uplink when the server has fewer readings, or by a person with the
command.

Promises: deleted numbers are declared shed, reason `pruned_after_ack`, so the uplink does not loop.
Leaves to others: deciding when (`gateway.uplink.decision`), sending (`gateway.uplink.loop`).
"""

from __future__ import annotations

from pathlib import Path
from typing import cast

import apsw

from cleanside.gateway.errors import CalledWrongly, UnknownStream
from cleanside.gateway.spool.file import open_beside, translated
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.state import StreamRow, stream_rows

_HELD = "SELECT count(*) FROM readings WHERE position BETWEEN ? AND ?"
#: the positions before and behind each hole among those first to last, both ends included
_MISSING = """SELECT before, position FROM (
    SELECT position, lag(position, 1, ?1 - 1) OVER (ORDER BY position) AS before
    FROM (SELECT position FROM readings WHERE position BETWEEN ?1 AND ?2 UNION ALL SELECT ?2 + 1))
WHERE position > before + 1"""


def rewind_stream(connection: apsw.Connection, row: StreamRow, through: int) -> int:
    """
    Set the mark of a stream back to `through`, inside the caller's transaction.

    Returns how many readings are sent again; 0 if the mark is not above `through`.
    """
    if not 0 <= through < row.acknowledged_through:
        return 0
    declare_holes(connection, row, through + 1, row.acknowledged_through)
    set_back(connection, row, through)
    return count_held(connection, row, through)


def set_back(connection: apsw.Connection, row: StreamRow, through: int) -> None:
    """Set the mark of a stream back, whatever is here of its numbers."""
    connection.execute("UPDATE streams SET acknowledged_through = ? WHERE number = ?", (through, row.number))


def declare_holes(connection: apsw.Connection, row: StreamRow, first: int, last: int) -> None:
    """Declare numbers first..last of a stream that are not here any more."""
    for begin, end in holes(connection, row, first, last):
        declare(connection, row.number, begin, end, "pruned_after_ack")


def holes(connection: apsw.Connection, row: StreamRow, first: int, last: int) -> list[tuple[int, int]]:
    """The numbers among first..last of a stream that have no reading here: first and last of each run."""
    span = row.position(first), row.position(last)
    found = cast(list[tuple[int, int]], connection.execute(_MISSING, span).fetchall())
    return [(row.seq(before + 1), row.seq(after - 1)) for before, after in found]


def count_held(connection: apsw.Connection, row: StreamRow, through: int) -> int:
    """How many readings of a stream are here between number `through` and its mark."""
    span = row.position(through + 1), row.position(row.acknowledged_through)
    return int(connection.execute(_HELD, span).get)


def rewind(path: Path, *, stream: str | None, first: int) -> int:
    """
    Rewind a spool beside a gateway that may be running, so that number `first` is the next one sent.

    stream : None: the open one. Returns how many are sent again. Raises UnknownStream, CalledWrongly.
    """
    if not path.exists():
        raise CalledWrongly("no_spool", path=path)
    with translated(path):
        connection = open_beside(path)
        try:
            connection.execute("BEGIN IMMEDIATE")
            row = _find(connection, path, stream)
            if first > row.appended_through:
                raise CalledWrongly(
                    "rewind_beyond", stream=row.stream, appended_through=row.appended_through, number=first
                )
            again = rewind_stream(connection, row, first - 1)
            # Everything is sent again, even acknowledged readings: nothing counts as sent from here on.
            connection.execute(
                "UPDATE streams SET sent_through = ? WHERE number = ?", (first - 1, row.number)
            )
            connection.execute("COMMIT")
            return again
        finally:
            connection.close()


def _find(connection: apsw.Connection, path: Path, stream: str | None) -> StreamRow:
    for row in stream_rows(connection):
        if row.stream == stream or (stream is None and row.state == "open"):
            return row
    raise UnknownStream("unknown_stream", path=path, stream=stream)
