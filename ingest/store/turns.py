"""
Turns: which process works on what, where several processes share the work of one PostgreSQL database.

Promises: a turn belongs to one process at a time and ends with the transaction that took it. A process that
is killed loses its turns at once. One that hangs, or whose host is gone, loses them after
`database.IDLE_TIMEOUT_MS`. Others take over.
Leaves to others: the work, and that rows stay right where two processes do it all the same.

Advisory locks: they leave no row behind, conflict with no write, and work through a pooler of transactions.
PostgreSQL keeps them all in one table of max_locks_per_transaction * max_connections places, 6 400 by
default; a pass of the analysis takes 400 at most.
A SQLite file is served by one process, so it needs no turns.
"""

from __future__ import annotations

from collections.abc import Collection

import sqlalchemy as sa

from cleanside.ingest.store import dialect

#: kinds of work; the number is in the upper part of the lock's, away from that of the archive
HOUSING, DEVICE, RECHECK, SCHEMA = (kind << 48 for kind in (1, 2, 3, 4))

_TRY = "SELECT id FROM unnest(?::bigint[]) AS id WHERE pg_try_advisory_xact_lock(? + id)"


def taken(connection: sa.Connection, kind: int, ids: Collection[int]) -> frozenset[int]:
    """Take a turn at each of these. Returns those that are ours until the end of the transaction."""
    if not ids:
        return frozenset()
    return frozenset(dialect.run(connection, _TRY, (sorted(ids), kind)).scalars())


def is_ours(connection: sa.Connection, kind: int) -> bool:
    """Take the one turn of a kind, until the end of the transaction. On SQLite there is no other process."""
    return dialect.is_sqlite(connection) or bool(taken(connection, kind, [0]))
