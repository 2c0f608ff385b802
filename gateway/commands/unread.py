"""
What a source was sent and could not read, wholly or in part: counted, and when the shop hears of it.

Promises: pure. The first of a kind is declared at once, the next after an hour, then once a day, each with
all that came since: a source that sends nonsense for ever costs a few events and no disk. A kill takes what
came since the last declaration; a stop declares it.
Leaves to others: counting and declaring (`gateway.commands.feed`), what a person reads (`standing`).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any, Final

from cleanside.gateway.private import hidden
from cleanside.gateway.units import counted

REFUSED: Final = "readings_refused"
IN_PART: Final = "readings_in_part"
UNREAD_NOTE: Final = "unread:"  # and the name of the source: what it could not read before this start
#: member of the event that counts. Not `count` for those in part: that counts readings as lost.
_COUNTED_AS: Final = {REFUSED: "count", IN_PART: "lines"}
_WAITS_US: Final = (0, 3_600_000_000, 86_400_000_000)  # before the first, the second, each further (chosen)
_LONGEST_REASON: Final = 200  # characters, for `status` and the shop


class Unread:
    """Counts of one kind, from several threads."""

    def __init__(self, event: str) -> None:
        self._event = event
        self._lock = threading.Lock()
        self._declared = 0
        self._times = 0  # how often it was declared
        self._declared_us = 0
        self._unwanted = 0
        #: since this process started, with what no person wants to hear of
        self.count = 0
        #: of the last one; None: there is none
        self.reason: str | None = None

    def add(self, reason: str, *, is_declared: bool = True) -> int:
        """One more. is_declared : the shop hears of it. Returns how many there are."""
        with self._lock:
            self.count += 1
            self._unwanted += not is_declared
            self.reason = hidden(reason)[:_LONGEST_REASON]
            return self.count

    def due(self, now_us: int, *, is_last: bool) -> tuple[str, dict[str, Any], int] | None:
        """
        Event, content and how many it declares; None: not now. now_us : since boot. is_last : at a stop.
        """
        with self._lock:
            count = self.count - self._unwanted - self._declared
            wait_us = _WAITS_US[min(self._times, len(_WAITS_US) - 1)]
            if count <= 0 or not (is_last or now_us - self._declared_us >= wait_us):
                return None
            return self._event, {_COUNTED_AS[self._event]: count, "reason": self.reason}, count

    def are_declared(self, count: int, now_us: int) -> None:
        """So many are on disk as an event."""
        with self._lock:
            self._declared += count
            self._times += 1
            self._declared_us = now_us


def not_read_text(source: Mapping[str, Any]) -> str:
    """
    What a source could not read, in words; "" where it read all.

    source : `refused`, `in_part` and their `last_refusal`, `last_in_part`, as `status` has them.
    """
    parts = []
    for name, done, last in (
        ("refused", "refused", "last_refusal"),
        ("in_part", "read in part", "last_in_part"),
    ):
        if source.get(name):
            parts.append(f"{counted(source[name], 'line')} {done}; the last: {source[last]}")
    return "; ".join(parts)
