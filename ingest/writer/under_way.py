"""
How long the transaction under way has taken, and what those hear who wait for it.

PostgreSQL bounds no wait for a standby: `statement_timeout` ends before COMMIT begins to wait, so a commit
lasts until a standby answers or a person cancels the wait (src/backend/tcop/postgres.c, finish_xact_command;
measured: `tests/fault/test_standby_stopped.py`). The writer waits with it, because only the end of that
commit says what became of it; requests do not.
Promises: pure but for the clock. Any thread may ask.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store.trouble import STANDBY_AWAY, STORE_UNAVAILABLE

#: a request is answered by then; what has not begun is dropped. Chosen below usual time-outs of clients and
#: proxies
ANSWER_WITHIN_S = 25.0
#: A commit that takes longer stands still: no thread of requests waits for it. Chosen: below what a probe for
#: readiness waits (`ingest.writer.readiness`), and far above what a slow disk takes for a commit
COMMIT_STANDS_AFTER_S = 4.0
#: A whole transaction. Chosen: twice the limit of one statement (`ingest.store.database`)
WORK_STANDS_AFTER_S = 60.0
#: A whole transaction, while the server stops. Chosen: with the 10 s that answers under way get, below the
#: 20 s after which the container files of `ingest/deploy` have the process killed
END_WAITS_S = 8.0


class UnderWay:
    """The transaction that one thread has under way, if it has one."""

    def __init__(
        self, *, awaits_standby: bool = False, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        """awaits_standby : a commit has to be on a standby's disk too."""
        self._awaits_standby = awaits_standby
        self._monotonic_s = monotonic_s
        self._began_s = math.inf
        self._committing_s = math.inf

    def begin(self) -> None:
        """A transaction begins."""
        self._began_s = self._monotonic_s()

    def commit(self) -> None:
        """Its work is done: what comes next is its commit."""
        self._committing_s = self._monotonic_s()

    def end(self) -> None:
        """It has ended, one way or the other."""
        self._began_s = self._committing_s = math.inf

    @property
    def stands_still(self) -> bool:
        """True where it has taken so long that a thread of requests waits for it no more."""
        commit_s, whole_s = self._took_s(self._committing_s), self._took_s(self._began_s)
        return commit_s >= COMMIT_STANDS_AFTER_S or whole_s >= WORK_STANDS_AFTER_S

    @property
    def holds_up_the_end(self) -> bool:
        """True where it has taken so long that a server that stops waits for it no more."""
        return self.stands_still or self._took_s(self._began_s) >= END_WAITS_S

    def _took_s(self, since_s: float) -> float:
        """-inf: it is not under way."""
        return self._monotonic_s() - since_s

    def too_late(self, waited_s: float) -> TryAgain:
        """What a request hears that waited so long [s]: of a commit that stands still, how long that has."""
        commit_s = self._took_s(self._committing_s)  # looked at once: it may end meanwhile
        if self._awaits_standby and commit_s >= COMMIT_STANDS_AFTER_S:
            return TryAgain("no_standby_answers", code=STANDBY_AWAY, waited_s=round(commit_s))
        waited_s = max(waited_s, self._took_s(self._began_s))
        return TryAgain("not_stored_in_time", code=STORE_UNAVAILABLE, waited_s=round(waited_s))
