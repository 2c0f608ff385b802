"""
The account counted while the server serves: once, for monitoring, webhooks and messages.

Promises: it counts from the rows, as the command `account` does. One stream at a time, each in a view of its
own and with a pause behind it, so that readers and writers go on. Nothing is counted in the first minutes.
Leaves to others: what an account is (`ingest.store.account`), telling the outcome (`ingest.keeping.watched`,
`ingest.webhooks.announcing`, `ingest.messages.noticing`).
"""

from __future__ import annotations

import logging
import threading
from collections import defaultdict
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from cleanside.ingest.errors import IngestError, log_reason
from cleanside.ingest.store import account, message_choices, outbox, streams
from cleanside.ingest.writer.resources import Counted

if TYPE_CHECKING:
    from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

FIRST_AFTER_S: Final = 300.0  # of serving: a fleet that comes back goes first; chosen
DUE_LOOK_S: Final = 60.0  # whether it is time to count; chosen
AWAITED_EVERY_S: Final = 900.0  # where a webhook or a message waits for it: counting is work; chosen
PAUSE_S: Final = 0.05  # between two streams; chosen: 1,000 of them take a minute


class Accountant:
    """A thread that counts every `account_interval_s`, and more often where somebody waits for it."""

    def __init__(self, resources: Resources) -> None:
        self._resources = resources
        self._thread = threading.Thread(target=self._work, name="accountant", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        if self._thread.ident is not None:
            self._thread.join()

    def _work(self) -> None:
        resources, interval_s = self._resources, self._resources.settings.account_interval_s
        wait_s = min(FIRST_AFTER_S, interval_s or FIRST_AFTER_S)
        while not resources.stopping.wait(wait_s):
            wait_s = min(DUE_LOOK_S, interval_s or DUE_LOOK_S)
            try:
                self._look()
            except IngestError as error:
                log.warning("ingest.account_waits", extra={"reason": log_reason(error)})
            except Exception:
                log.exception("ingest.account_failed")

    def _look(self) -> None:
        resources = self._resources
        with resources.reading() as connection:
            awaited = is_awaited(connection)
        every_s = interval_of(resources.settings.account_interval_s, awaited=awaited)
        if is_due(resources.counted, every_s, resources.clock()):
            counted = count(resources.reading, resources.clock, stopping=resources.stopping)
            resources.counted = counted or resources.counted


def is_awaited(connection: sa.Connection) -> bool:
    """True if a webhook or a person with an address may be told of the account."""
    return bool(outbox.wanted(connection) or message_choices.owners_to_tell(connection))


def interval_of(interval_s: int, *, awaited: bool) -> float | None:
    """Seconds between two counts; None: never. interval_s : as set; 0: only where it is awaited."""
    wanted = [float(interval_s)] if interval_s else []
    return min([*wanted, AWAITED_EVERY_S] if awaited else wanted, default=None)


def is_due(counted: Counted | None, every_s: float | None, now_us: int) -> bool:
    """True if it is time to count. A clock that was set back makes it time too."""
    if every_s is None or counted is None:
        return every_s is not None
    return not 0 <= now_us - counted.counted_us < every_s * 1e6


def count(
    reading: Callable[[], Any], clock: Callable[[], int], *, stopping: threading.Event
) -> Counted | None:
    """Count the account of every stream; None: it was stopped before the last one."""
    with reading() as connection:
        every = streams.all_of(connection, None)
    faults: dict[int, list[str]] = defaultdict(list)
    faulty = 0
    for stream in every:
        if stopping.wait(PAUSE_S):
            return None
        with reading() as connection:
            now = streams.find(connection, stream.owner_id, stream.stream)
            found = None if now is None else account.account_of(connection, now)
        if found is not None and not found.balances:
            faulty += 1
            faults[stream.owner_id] += account.faults_of([found])
            reasons = "; ".join(map(str, found.faults))[:200]
            log.error("ingest.account_out_of_balance", extra={"stream": found.stream, "reason": reasons})
    return Counted(streams=len(every), out_of_balance=faulty, faults=dict(faults), counted_us=clock())
