"""
Leases: the right to some work that one process of a database does at a time.

Promises: a lease has one holder. A holder that does not take it again within its time loses it, so another
process takes over what a killed or hanging one had. `keep`, in the transaction that records the work, shows
a holder that hung and woke up whether the work is still its own. `take` waits for no other process: a row
that another one has locked is skipped (SKIP LOCKED). On PostgreSQL leases go by the database's clock, so
hosts whose clocks differ never both hold one.
Leaves to others: the work, and how long a lease lasts (`ingest.writer.lease`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import leases

_DATABASE_NOW_US = sa.text("SELECT (extract(epoch FROM clock_timestamp()) * 1000000)::bigint")


def now_us(connection: sa.Connection, host_us: int) -> int:
    """
    The time that leases go by [us since 1970]: the database's; on SQLite, which one host has, the host's.

    host_us : now, by the clock of this host.
    """
    return host_us if dialect.is_sqlite(connection) else int(connection.scalar(_DATABASE_NOW_US) or 0)


def take(connection: sa.Connection, name: str, holder: str, now_us: int, until_us: int) -> bool:
    """
    Take or keep a lease. False while another holds it.

    now_us, until_us : by `now_us`, as everywhere here.
    """
    is_free = sa.or_(leases.c.holder == holder, leases.c.until_us < now_us)
    free = sa.select(leases.c.name).where(leases.c.name == name, is_free).with_for_update(skip_locked=True)
    again = sa.update(leases).where(leases.c.name.in_(free)).values(holder=holder, until_us=until_us)
    if connection.execute(again).rowcount:
        return True
    if connection.execute(sa.select(leases.c.name).where(leases.c.name == name)).first() is not None:
        return False  # an insert would wait for a process that is about to take it
    first = dialect.insert(connection, leases).values(name=name, holder=holder, until_us=until_us)
    return connection.execute(first.on_conflict_do_nothing().returning(leases.c.name)).first() is not None


def keep(connection: sa.Connection, name: str, holder: str, until_us: int) -> bool:
    """
    Keep a lease; no other process takes it before the end of the transaction. False where another has it.
    """
    mine = (leases.c.name == name, leases.c.holder == holder)
    return connection.execute(sa.update(leases).where(*mine).values(until_us=until_us)).rowcount > 0


def of_others(connection: sa.Connection, holder: str, now_us: int) -> frozenset[str]:
    """The leases that others hold now, by name."""
    query = sa.select(leases.c.name).where(leases.c.holder != holder, leases.c.until_us >= now_us)
    return frozenset(connection.scalars(query))


def give_back(connection: sa.Connection, name: str, holder: str) -> None:
    """End a lease, so that another process can take it at once."""
    mine = (leases.c.name == name, leases.c.holder == holder)
    connection.execute(sa.update(leases).where(*mine).values(until_us=0))
