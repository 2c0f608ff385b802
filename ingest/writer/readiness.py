"""
Whether the server can take readings: shown by a completed write, not by a thread that is alive.

Promises: asking often costs nothing. A commit of the last seconds is proof enough; without one, a single
probe serves all that ask. A probe is bounded in size and time. After a start the first proof is a probe:
what a server commits by itself then may have written nothing, so no disk or standby had a part in it. After
a batch was refused because of the store, a small probe is no proof: a full disk may have room for the probe
and not for the batch.
Leaves to others: what a failed write means (`ingest.store.trouble`).
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from concurrent.futures import TimeoutError as TooLate

import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store.models import write_probes
from cleanside.ingest.store.trouble import STORE_UNAVAILABLE
from cleanside.ingest.writer.writer import TROUBLE_LASTS_S, Writer

PROBE_EVERY_S = 10.0  # chosen: soon enough for a disk that fills up, and an idle server writes little
PROBE_WITHIN_S = 5.0  # chosen below the time-outs of usual monitors
PROBE_BYTES = 16_384  # chosen: new pages, as a batch needs


class Readiness:
    """Asks the writer for a write, at most one at a time."""

    def __init__(self, writer: Writer, *, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._writer = writer
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._probed_s: float | None = None
        self._last: TryAgain | None = None

    def check(self) -> None:
        """Raise TryAgain, with the code that says why, where no write gets through."""
        self._writer.require_motion()
        now_s = self._monotonic_s()
        trouble, troubled_s = self._writer.trouble
        if trouble is not None and now_s - troubled_s < TROUBLE_LASTS_S:
            raise trouble
        if self._probed_s is not None and now_s - self._writer.committed_s < PROBE_EVERY_S:
            return
        if self._lock.acquire(blocking=False):
            try:
                self._probe(now_s)
            finally:
                self._lock.release()
        if self._last is not None:
            raise self._last

    def _probe(self, now_s: float) -> None:
        if self._probed_s is not None and now_s - self._probed_s < PROBE_EVERY_S:
            return
        self._last = None
        try:
            probe = self._writer.submit(_write)
            try:
                probe.result(PROBE_WITHIN_S)
            except TooLate:
                probe.cancel()
                self._writer.require_motion()
                raise TryAgain("no_write_in_time", within_s=PROBE_WITHIN_S, code=STORE_UNAVAILABLE) from None
        except TryAgain as error:
            self._last = error
        self._probed_s = self._monotonic_s()


def _write(connection: sa.Connection) -> None:
    """Write new pages, then free those of the last probe."""
    made = connection.execute(sa.insert(write_probes).values(content=os.urandom(PROBE_BYTES)))
    assert made.inserted_primary_key is not None
    connection.execute(sa.delete(write_probes).where(write_probes.c.id < made.inserted_primary_key[0]))
