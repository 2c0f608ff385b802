"""
What the high-water mark shows about its spool. Pure.

Promises: finds a missing end of a file, as far as the mark reaches; names the lost numbers and their stream,
or reports that they are unknown. Leaves to others: the mark (`gateway.spool.high_mark`), the consequences
(`gateway.spool.queue`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from cleanside.gateway.spool.high_mark import Extent
from cleanside.gateway.spool.payload import NotAsWritten
from cleanside.gateway.spool.state import StreamRow


@dataclass(frozen=True, slots=True)
class Lost:
    """Numbers first..last of `stream` were on disk and are not in the file."""

    stream: StreamRow
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Unknown:
    """It is not known whether numbers behind the last of `stream` were used."""

    stream: StreamRow


def judge(mark: Extent | None, streams: Sequence[StreamRow], *, is_expected: bool) -> Lost | Unknown | None:
    """
    The missing end of a file; None: nothing is missing, as far as is known.

    mark : beside the file; None: there is none, or none is readable. streams : of the file, one of them open.
    is_expected : the file has had a mark. Raises NotAsWritten if no stream is open.
    """
    taking = next((stream for stream in streams if stream.state == "open"), None)
    if taking is None:
        raise NotAsWritten("no stream is open, and a spool always has one that is")
    if mark is None:
        was_used = any(stream.appended_through for stream in streams)
        return Unknown(taking) if is_expected and was_used else None
    for stream in streams:
        if stream.stream == mark.stream:
            if mark.through <= stream.appended_through:
                return None
            if stream is taking:
                return Lost(stream, stream.appended_through + 1, mark.through)
    return Unknown(taking)  # the mark is of a stream that the file does not know, or knows as ended before
