"""
A lease: the right to some work that one process of a database does at a time.

Promises: a holder that does not renew its lease loses it after its time, so another process takes over what
a killed one had.
Leaves to others: the row (`ingest.store.outbox`), the work.
"""

from __future__ import annotations

import logging
import secrets

import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import outbox
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")


class Lease:
    """A named lease, as this process takes it."""

    def __init__(self, resources: Resources, name: str, for_us: int) -> None:
        """name : at most 32 characters. for_us : how long it lasts without being taken again. [us]"""
        self._resources = resources
        self._name = name
        self._for_us = for_us
        # On SQLite no other process serves (the lock beside the file): a lease left is that of a killed one.
        self._holder = "sole" if resources.is_sqlite else secrets.token_hex(8)

    def take(self) -> bool:
        """Take it, or keep it from now on for its time. False: another process holds it."""
        return self._resources.writer.call(self._take)

    def _take(self, connection: sa.Connection) -> bool:
        now_us = self._resources.clock()
        return outbox.take_lease(connection, self._name, self._holder, now_us, now_us + self._for_us)

    def give_back(self) -> None:
        """End it, so that another process can take it at once."""
        try:
            self._resources.writer.call(lambda c: outbox.give_lease_back(c, self._name, self._holder))
        except TryAgain:  # it runs out by itself
            log.info("ingest.lease_kept", extra={"lease": self._name})
