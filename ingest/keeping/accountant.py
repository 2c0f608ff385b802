"""
The account counted while the server serves, so that monitoring hears of a number that is in no state.

Promises: it counts from the rows, as the command `account` does. One stream at a time, each in a view of its
own and with a pause behind it, so that readers and writers go on.
Leaves to others: what an account is (`ingest.store.account`), showing the outcome (`ingest.metrics`).
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from cleanside.ingest.errors import IngestError
from cleanside.ingest.store import account, streams
from cleanside.ingest.writer.resources import Counted

if TYPE_CHECKING:
    from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

FIRST_AFTER_S = 300.0  # of serving: a fleet that comes back goes first; chosen
PAUSE_S = 0.05  # between two streams; chosen: 1,000 of them take a minute


class Accountant:
    """A thread that counts every `account_interval_s`."""

    def __init__(self, resources: Resources) -> None:
        self._resources = resources
        self._thread = threading.Thread(target=self._work, name="accountant", daemon=True)

    def start(self) -> None:
        """Begin, unless the interval is 0."""
        if self._resources.settings.account_interval_s:
            self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        if self._thread.ident is not None:
            self._thread.join()

    def _work(self) -> None:
        resources, interval_s = self._resources, float(self._resources.settings.account_interval_s)
        wait_s = min(FIRST_AFTER_S, interval_s)
        while not resources.stopping.wait(wait_s):
            wait_s = interval_s
            try:
                counted = count(resources.reading, resources.clock, stopping=resources.stopping)
            except IngestError as error:
                log.warning("ingest.account_waits", extra={"reason": str(error)[:200]})
            except Exception:
                log.exception("ingest.account_failed")
            else:
                resources.counted = counted or resources.counted


def count(
    reading: Callable[[], Any], clock: Callable[[], int], *, stopping: threading.Event
) -> Counted | None:
    """Count the account of every stream; None: it was stopped before the last one."""
    with reading() as connection:
        every = streams.all_of(connection, None)
    faulty = 0
    for stream in every:
        if stopping.wait(PAUSE_S):
            return None
        with reading() as connection:
            now = streams.find(connection, stream.owner_id, stream.stream)
            found = None if now is None else account.account_of(connection, now)
        if found is not None and not found.balances:
            faulty += 1
            reasons = "; ".join(found.faults)[:200]
            log.error("ingest.account_out_of_balance", extra={"stream": found.stream, "reason": reasons})
    return Counted(streams=len(every), out_of_balance=faulty, counted_us=clock())
