"""
Streams of a spool that begin and end.

Promises: one stream is open at any time; a number of a stream is never used again.
Leaves to others: reading their state (`gateway.spool.state`).
"""

from __future__ import annotations

import apsw

from cleanside.gateway.spool.high_mark import Extent
from cleanside.gateway.spool.state import StreamRow, last_position, open_stream


def begin_stream(connection: apsw.Connection, stream: str) -> None:
    """Open a stream of that name behind all readings."""
    connection.execute(
        "INSERT INTO streams (stream, first_position) VALUES (?, ?)", (stream, last_position(connection) + 1)
    )


def fork_stream(connection: apsw.Connection, old: StreamRow, stream: str, *, through: int) -> None:
    """Open a stream in place of `old`, which keeps the numbers 1..through."""
    connection.execute(
        "UPDATE streams SET state = 'forked', last_position = ? WHERE number = ?",
        (old.position(through), old.number),
    )
    begin_stream(connection, stream)


def extent_of(connection: apsw.Connection) -> Extent:
    """The open stream and its last number."""
    taking = open_stream(connection)
    return Extent(taking.stream, taking.appended_through)
