"""
How long one request works out studies that are not in memory, before it is asked to come again.

Promises: at least one study each time, so that asking again comes to an end: those that were made stay.
Leaves to others: the studies (`assessment`, `back_then`).
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import database

#: half of what the database gives a reader (chosen: the rest is for the answer)
WORK_OUT_S = database.STATEMENT_TIMEOUT_MS / 2_000
RETRY_S = 10  # the background does some hundred housings meanwhile; chosen


class WorkingOut:
    """The time that is left, for all that one request looks at."""

    def __init__(self, *, waits: bool = True, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        """waits : a request waits; where none does, no study is too late."""
        self._monotonic_s = monotonic_s
        self._until_s = monotonic_s() + WORK_OUT_S if waits else math.inf
        self._made = 0

    def begin_one(self) -> None:
        """Before a study is made. Raises TryAgain (`fleet_being_worked_out`) where the time is over."""
        if self._made and self._monotonic_s() >= self._until_s:
            raise TryAgain(
                "fleet_being_worked_out",
                code="fleet_being_worked_out",
                retry_after_s=RETRY_S,
                made=self._made,
            )
        self._made += 1
