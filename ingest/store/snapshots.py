"""Fleet snapshots: the newest of each owner, numbered, so that all processes use the same one."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import fleet_snapshots, housings, machines


class Snapshot(NamedTuple):
    """A row of `fleet_snapshots`, without its content."""

    number: int
    learned_us: int


def newest(connection: sa.Connection, owner_id: int) -> Snapshot | None:
    """The present snapshot; None: none was ever learned."""
    query = sa.select(fleet_snapshots.c.number, fleet_snapshots.c.learned_us)
    row = connection.execute(query.where(fleet_snapshots.c.owner_id == owner_id)).first()
    return None if row is None else Snapshot(*row)


def oldest_us(connection: sa.Connection) -> int | None:
    """When the oldest of all owners' snapshots was learned; None: none was ever learned. [us]"""
    oldest = connection.scalar(sa.select(sa.func.min(fleet_snapshots.c.learned_us)))
    return None if oldest is None else int(oldest)


def content_of(connection: sa.Connection, owner_id: int) -> tuple[Snapshot, str]:
    """The present snapshot, and its JSON. There must be one."""
    columns = fleet_snapshots.c.number, fleet_snapshots.c.learned_us, fleet_snapshots.c.content
    row = connection.execute(sa.select(*columns).where(fleet_snapshots.c.owner_id == owner_id)).one()
    return Snapshot(row[0], row[1]), row[2]


def put(connection: sa.Connection, owner_id: int, after: int, learned_us: int, content: str) -> bool:
    """Store a snapshot as number `after` + 1; False where another process has stored one since `after`."""
    values = {"number": after + 1, "learned_us": learned_us, "content": content}
    statement = dialect.insert(connection, fleet_snapshots).values(owner_id=owner_id, **values)
    statement = statement.on_conflict_do_update(
        index_elements=["owner_id"], set_=values, where=fleet_snapshots.c.number == after
    )
    return connection.execute(statement.returning(fleet_snapshots.c.number)).first() is not None


def revisions_of(connection: sa.Connection, owner_id: int) -> int:
    """A number that grows whenever a summary of the owner's fleet is written."""
    query = sa.select(sa.func.coalesce(sa.func.sum(housings.c.revision), 0))
    query = query.select_from(housings.join(machines)).where(machines.c.owner_id == owner_id)
    return int(connection.scalar(query) or 0)
