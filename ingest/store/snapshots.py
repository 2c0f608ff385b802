"""Fleet snapshots: the newest of each owner, numbered, the same for all processes; and older ones."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import earlier_snapshots, fleet_snapshots, housings, machines

DAY_US = 86_400_000_000
KEPT_EARLIER = 2  # one a day, so that the older of two was in use a day ago or more


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
    _keep_earlier(connection, owner_id, after, learned_us)
    values = {"number": after + 1, "learned_us": learned_us, "content": content}
    statement = dialect.insert(connection, fleet_snapshots).values(owner_id=owner_id, **values)
    statement = statement.on_conflict_do_update(
        index_elements=["owner_id"], set_=values, where=fleet_snapshots.c.number == after
    )
    return connection.execute(statement.returning(fleet_snapshots.c.number)).first() is not None


def _keep_earlier(connection: sa.Connection, owner_id: int, number: int, now_us: int) -> None:
    """Keep the snapshot that is about to be replaced, unless one of the last day is kept."""
    row, now = earlier_snapshots.c, fleet_snapshots.c
    newest_us = connection.scalar(sa.select(sa.func.max(row.kept_us)).where(row.owner_id == owner_id))
    if newest_us is not None and newest_us > now_us - DAY_US:
        return
    present = sa.select(now.owner_id, now.number, now.learned_us, sa.literal(now_us), now.content)
    present = present.where(now.owner_id == owner_id, now.number == number)
    columns = ["owner_id", "number", "learned_us", "kept_us", "content"]
    connection.execute(sa.insert(earlier_snapshots).from_select(columns, present))
    kept = sa.select(row.number).where(row.owner_id == owner_id).order_by(row.number.desc())
    last = list(connection.scalars(kept.limit(KEPT_EARLIER)))
    older = sa.delete(earlier_snapshots).where(row.owner_id == owner_id, row.number.not_in(last))
    connection.execute(older)


def earlier(connection: sa.Connection, owner_id: int, since_us: int) -> tuple[int, int] | None:
    """(number, when it was replaced [us]) of the oldest snapshot that is kept, replaced since an instant."""
    row = earlier_snapshots.c
    query = sa.select(row.number, row.kept_us).where(row.owner_id == owner_id, row.kept_us >= since_us)
    found = connection.execute(query.order_by(row.number).limit(1)).first()
    return None if found is None else (found.number, found.kept_us)


def earlier_content(connection: sa.Connection, owner_id: int, number: int) -> str | None:
    """The JSON of a snapshot that is kept; None: it is not any more."""
    row = earlier_snapshots.c
    query = sa.select(row.content).where(row.owner_id == owner_id, row.number == number)
    content: str | None = connection.scalar(query)
    return content


def revisions_of(connection: sa.Connection, owner_id: int) -> int:
    """A number that grows whenever a summary of the owner's fleet is written."""
    query = sa.select(sa.func.coalesce(sa.func.sum(housings.c.revision), 0))
    query = query.select_from(housings.join(machines)).where(machines.c.owner_id == owner_id)
    return int(connection.scalar(query) or 0)
