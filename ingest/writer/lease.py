"""
A lease: the right to some work that one process of a database does at a time.

Promises: a holder that does not renew its lease loses it after its time, so another process takes over what
a killed or hanging one had. What is written through a lease is written only while it is this process's own.
Leaves to others: the row (`ingest.store.leases`), the work.
"""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable
from functools import partial
from typing import TypeVar

import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import leases
from cleanside.ingest.writer.resources import Resources

T = TypeVar("T")
log = logging.getLogger("cleanside.ingest")


def new_holder(resources: Resources) -> str:
    """
    A name for a worker of this process as holder.

    On SQLite no other process serves (the lock beside the file): a lease left is that of a killed one.
    """
    return "sole" if resources.is_sqlite else secrets.token_hex(8)


class Lease:
    """A named lease, as this process takes it."""

    def __init__(self, resources: Resources, name: str, for_us: int, *, holder: str | None = None) -> None:
        """
        name : at most 32 characters. for_us : how long it lasts without being taken again. [us]
        holder : None, one of its own.
        """
        self._resources = resources
        self.name = name
        self._for_us = for_us
        self._holder = holder or new_holder(resources)

    def take(self) -> bool:
        """Take it, or keep it from now on for its time. False: another process holds it."""
        return self._resources.writer.call_patiently(self._take)

    def _take(self, connection: sa.Connection) -> bool:
        now_us = leases.now_us(connection, self._resources.clock())
        return leases.take(connection, self.name, self._holder, now_us, now_us + self._for_us)

    def write(self, job: Callable[[sa.Connection], T]) -> T:
        """
        Run a job in a transaction of the one writer, and keep the lease from now on for its time.

        Raises TryAgain where another process has taken it over: then nothing is written.
        """
        done = self._resources.writer.call_patiently(partial(self._kept, job))
        if done is None:
            raise TryAgain("lease_lost", lease=self.name)
        return done[0]

    def _kept(self, job: Callable[[sa.Connection], T], connection: sa.Connection) -> tuple[T] | None:
        until_us = leases.now_us(connection, self._resources.clock()) + self._for_us
        is_ours = leases.keep(connection, self.name, self._holder, until_us)
        return (job(connection),) if is_ours else None

    def give_back(self) -> None:
        """End it, so that another process can take it at once."""
        try:
            self._resources.writer.call_patiently(lambda c: leases.give_back(c, self.name, self._holder))
        except TryAgain:  # it runs out by itself
            log.info("ingest.lease_kept", extra={"lease": self.name})
