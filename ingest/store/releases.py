"""Releases whose last process has ended: only then may what they read be taken away."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import ended_releases


def has_ended(connection: sa.Connection, revision: str) -> bool:
    """True where no process can run whose newest schema is this one."""
    query = sa.select(ended_releases.c.revision).where(ended_releases.c.revision == revision)
    return connection.execute(query).first() is not None


def end(connection: sa.Connection, revision: str, now_us: int) -> None:
    """Write down that the last process of a schema has ended; it stays so."""
    fresh = dialect.insert(connection, ended_releases).values(revision=revision, at_us=now_us)
    connection.execute(fresh.on_conflict_do_nothing())
