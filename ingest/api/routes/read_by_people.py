"""What readings of the hour meter and of gauges have in common: they were read in the past, each once."""

from __future__ import annotations

from cleanside.ingest.api.routes.shared import text, us
from cleanside.ingest.errors import Complaint, NotValid, Refused

AHEAD_US = 3_600_000_000  # a clock that is an hour off is no reason to send somebody back


def entry_differs(entry_id: str, there: str) -> Refused:
    """The refusal of another content under an id that is there already. there : what it has."""
    return Refused("entry_differs", status=409, entry_id=entry_id, there=there)


def past_instant(at: str, pointer: str, now_us: int) -> int:
    """An instant that has been. Raises Refused (422)."""
    at_us = us(at)
    assert at_us is not None
    if at_us > now_us + AHEAD_US:
        raise NotValid(Complaint(pointer, "read_in_the_future", at=at, now=text(now_us)))
    return at_us
