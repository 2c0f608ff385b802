"""
Releases beside each other: which ones work on this schema, and whose last process has ended.

A release is known by its newest schema. A new one works beside the previous one, so that processes are
replaced one after the other and the way back is open. What only the previous release reads is taken away once
its last process has ended; from then on it does not start either.
Leaves to others: bringing a schema along (`ingest.store.database`).
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import ended_releases, working_releases

#: newest schema of the previous release (`.ci/release` holds it); None: there is none
PREVIOUS: Final[str | None] = None


def name_working(connection: sa.Connection, newest: str, previous: str | None = PREVIOUS) -> None:
    """Write down which releases work on this schema: this one, and the previous one unless it has ended."""
    connection.execute(sa.delete(working_releases))
    works = [newest] if previous is None or has_ended(connection, previous) else [newest, previous]
    connection.execute(sa.insert(working_releases), [{"revision": revision} for revision in works])


def may_start(connection: sa.Connection, newest: str) -> bool:
    """True where a newer release wrote down that code with this newest schema works on the database."""
    if not sa.inspect(connection).has_table(working_releases.name):
        return False
    query = sa.select(working_releases.c.revision).where(working_releases.c.revision == newest)
    return connection.execute(query).first() is not None


def has_ended(connection: sa.Connection, revision: str) -> bool:
    """True where no process can run whose newest schema is this one."""
    query = sa.select(ended_releases.c.revision).where(ended_releases.c.revision == revision)
    return connection.execute(query).first() is not None


def end(connection: sa.Connection, revision: str, now_us: int) -> None:
    """Write down that the last process of a schema has ended; it stays so, and none of it starts again."""
    fresh = dialect.insert(connection, ended_releases).values(revision=revision, at_us=now_us)
    connection.execute(fresh.on_conflict_do_nothing())
    connection.execute(sa.delete(working_releases).where(working_releases.c.revision <= revision))
