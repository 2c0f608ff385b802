"""
Shed ranges of a spool: numbers deleted unsent, with a reason, merged where they touch.

Promises: ranges never overlap and stay few, because neighbours of one reason become one.
Leaves to others: deleting the readings, declaring to the server (`gateway.spool.queue`).
"""

from __future__ import annotations

from collections.abc import Iterator

import apsw

from cleanside.gateway.spool.payload import whole
from cleanside.gateway.wire import ShedRange

_WITHIN = """
SELECT first, last, reason, is_whole FROM shed
WHERE stream = ?1 AND first <= ?3 AND first >= coalesce(
    (SELECT max(first) FROM shed WHERE stream = ?1 AND first <= ?2), ?2)
  AND last >= ?2
ORDER BY first LIMIT ?4
"""

# The previous and the next range, each by the key: there may be tens of thousands.
_TOUCHING = """
SELECT first, last, is_whole FROM shed WHERE stream = ?1 AND reason = ?2 AND last = ?3 - 1
  AND first = (SELECT max(first) FROM shed WHERE stream = ?1 AND first < ?3)
UNION ALL SELECT first, last, is_whole FROM shed WHERE stream = ?1 AND reason = ?2 AND first = ?4 + 1
"""


def shed_within(
    connection: apsw.Connection, stream: int, first: int, last: int, *, limit: int = -1
) -> list[ShedRange]:
    """The declared ranges of a stream (its row number) that touch first..last, cut to it, in order."""
    rows = whole("shed", connection.execute(_WITHIN, (stream, first, last, limit)))
    return [ShedRange(max(first, begin), min(last, end), reason) for begin, end, reason in rows]


def declare(connection: apsw.Connection, stream: int, first: int, last: int, reason: str) -> int:
    """Declare first..last of a stream shed. Returns how many of these were not declared before."""
    added = 0
    for begin, end in list(_undeclared(connection, stream, first, last)):
        _insert_merged(connection, stream, begin, end, reason)
        added += end - begin + 1
    return added


def _undeclared(connection: apsw.Connection, stream: int, first: int, last: int) -> Iterator[tuple[int, int]]:
    begin = first
    for declared in shed_within(connection, stream, first, last):
        if begin < declared.first:
            yield begin, declared.first - 1
        begin = declared.last + 1
    if begin <= last:
        yield begin, last


def _insert_merged(connection: apsw.Connection, stream: int, first: int, last: int, reason: str) -> None:
    touching = connection.execute(_TOUCHING, (stream, reason, first, last))
    for begin, end in list(whole("shed", touching)):
        connection.execute("DELETE FROM shed WHERE stream = ? AND first = ?", (stream, begin))
        first, last = min(first, begin), max(last, end)
    connection.execute("INSERT INTO shed VALUES (?, ?, ?, ?)", (stream, first, last, reason))


def count_shed(connection: apsw.Connection, stream: int, first: int, last: int) -> int:
    """How many numbers of first..last are declared shed."""
    return sum(entry.last - entry.first + 1 for entry in shed_within(connection, stream, first, last))
