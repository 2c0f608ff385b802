"""
Send again from a number on: by the uplink when the server has fewer readings, or by a person with the
command.

Promises: deleted numbers are declared shed, reason `pruned_after_ack`, so the uplink does not loop.
Leaves to others: deciding when (`gateway.uplink.decision`), sending (`gateway.uplink.loop`).
"""

from __future__ import annotations

from pathlib import Path

import apsw

from cleanside.gateway.errors import CalledWrongly, UnknownStream
from cleanside.gateway.spool.file import open_beside, translated
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.state import StreamRow, stream_rows


def rewind_stream(connection: apsw.Connection, row: StreamRow, through: int) -> int:
    """
    Set the mark of a stream back to `through`, inside the caller's transaction.

    Returns how many readings are sent again; 0 if the mark is not above `through`.
    """
    if not 0 <= through < row.acknowledged_through:
        return 0
    held: tuple[int | None, int] = connection.execute(
        "SELECT min(position), count(*) FROM readings WHERE position BETWEEN ? AND ?",
        (row.position(through + 1), row.position(row.acknowledged_through)),
    ).fetchall()[0]  # type: ignore[assignment]
    held_from = row.acknowledged_through + 1 if held[0] is None else row.seq(held[0])
    if through + 1 < held_from:
        declare(connection, row.number, through + 1, held_from - 1, "pruned_after_ack")
    connection.execute("UPDATE streams SET acknowledged_through = ? WHERE number = ?", (through, row.number))
    return held[1]


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
