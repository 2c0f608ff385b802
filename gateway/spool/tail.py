"""
What the high-water mark says of the file it lies beside. Pure.

Promises: finds that the end of a file is missing, as far as the mark knows; names what is lost by stream and
numbers, or says that it is unknown. Leaves to others: the mark (`gateway.spool.high_mark`), what
follows (`gateway.spool.queue`).
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
    """Whether numbers behind the last of `stream` were given cannot be told."""

    stream: StreamRow


def judge(mark: Extent | None, streams: Sequence[StreamRow], *, is_expected: bool) -> Lost | Unknown | None:
    """
    What is missing at the end of a file; None: nothing, as far as can be told.

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
