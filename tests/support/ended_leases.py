"""Leases that a test ends: on PostgreSQL they go by the database's clock, which no test sets."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.models import leases
from tests.support.serving import Api


def end_leases(api: Api) -> None:
    """As if the time of each was over: its holder was killed, or hangs."""
    api.resources.writer.call(lambda connection: connection.execute(sa.update(leases).values(until_us=0)))
