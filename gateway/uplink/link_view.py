"""
The state of the link for `status`: the server's last answer, the reason of a wait, and the next try.

Promises: ages use the boot's clock, so setting the wall clock changes none.
Leaves to others: what an answer means (`gateway.uplink.decision`), when to try (`gateway.uplink.loop`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final

from cleanside.gateway.private import hidden
from cleanside.gateway.uplink.decision import Decision
from cleanside.gateway.uplink.transport import Outcome, Reply
from cleanside.gateway.wire import PROBLEM_MEDIA_TYPE

LONGEST_WORD: Final = 200  # characters of the server's last answer


class LinkView:
    """Written by the uplink, read by `status`."""

    def __init__(self, now_us: Callable[[], int]) -> None:
        """now_us : since boot."""
        self._now_us = now_us
        self._lock = threading.Lock()
        self._word: str | None = None
        self._word_us = 0
        self._failing_us: int | None = None
        self._why = ""
        self._needs_person = False
        self._waits_for: str | None = None
        self._waits_us = now_us()
        self._next_us: int | None = None

    def exchanged(self, outcome: Outcome, decision: Decision) -> None:
        """Note an exchange and the decision from it."""
        now_us = self._now_us()
        with self._lock:
            if isinstance(outcome, Reply):
                self._word, self._word_us = word_of(outcome), now_us
            if decision.state.failures == 0:
                self._failing_us, self._why, self._needs_person = None, "", False
            elif decision.event is not None and decision.is_trouble:
                self._failing_us = now_us if self._failing_us is None else self._failing_us
                self._why, self._needs_person = hidden(decision.reason), decision.needs_person

    def waits(self, waits_for: str | None, *, seconds: float | None = None) -> None:
        """Note the reason of a wait; seconds : until the next try at the latest, None: not known."""
        now_us = self._now_us()
        with self._lock:
            if waits_for != self._waits_for:
                self._waits_for, self._waits_us = waits_for, now_us
            self._next_us = None if seconds is None else now_us + round(seconds * 1e6)

    def told(self) -> dict[str, Any]:
        """The view in the form of `status`; spans in seconds."""
        now_us = self._now_us()

        def ago_s(us: int | None) -> float | None:
            return None if us is None else (now_us - us) / 1e6

        with self._lock:
            return {
                "failing_s": ago_s(self._failing_us),
                "reason": self._why or None,
                "needs_person": self._needs_person,
                "last_word": self._word,
                "last_word_s": None if self._word is None else ago_s(self._word_us),
                "waits_for": self._waits_for,
                "waits_s": ago_s(self._waits_us),
                "next_try_s": None if self._next_us is None else max(0.0, (self._next_us - now_us) / 1e6),
            }


def word_of(reply: Reply) -> str:
    """A server's answer in a line: the status, and code and detail of a problem report (RFC 9457)."""
    words = [f"status {reply.status}"]
    if reply.media_type == PROBLEM_MEDIA_TYPE:
        document = reply.document
        if document is None:
            words.append("a problem report that is none")
        else:
            words += [str(document[name]) for name in ("code", "detail") if name in document]
    elif reply.status != 200:
        words.append(reply.media_type or "no content type")
    return hidden(": ".join(words))[:LONGEST_WORD]
