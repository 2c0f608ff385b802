"""What people entered away from the shop, by the id that their phone gave it: each is carried out once."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import entries


class TakenEntry(NamedTuple):
    """An entry that was carried out."""

    entry_id: str
    kind: str
    machine: str
    content_hash: str
    made_us: int
    taken_us: int
    who: str
    #: as JSON, without photos; None: an entry of a release before 0030
    content: str | None


def put(connection: sa.Connection, owner_id: int, entry: TakenEntry) -> TakenEntry | None:
    """
    Note that an entry is carried out. None: it is new; else the one that has its id, and nothing is noted.

    The database holds that an id is noted once: a second process waits for the first one's commit.
    """
    statement = dialect.insert(connection, entries).values(owner_id=owner_id, **entry._asdict())
    noted = statement.on_conflict_do_nothing().returning(entries.c.id)
    if connection.execute(noted).first() is not None:
        return None
    query = sa.select(*(entries.c[f] for f in TakenEntry._fields))
    query = query.where(entries.c.owner_id == owner_id, entries.c.entry_id == entry.entry_id)
    return TakenEntry(*connection.execute(query).one())


def find(connection: sa.Connection, owner_id: int, entry_id: str) -> TakenEntry | None:
    """The entry of an owner under an id; None: none was taken."""
    query = sa.select(*(entries.c[f] for f in TakenEntry._fields))
    query = query.where(entries.c.owner_id == owner_id, entries.c.entry_id == entry_id)
    row = connection.execute(query).first()
    return None if row is None else TakenEntry(*row)


def taken_of(
    connection: sa.Connection,
    owner_id: int,
    *,
    machine: str | None = None,
    made_since_us: int | None = None,
    after_id: int = 0,
    limit: int | None = None,
) -> list[tuple[int, TakenEntry]]:
    """Entries of an owner with their numbers, in the order in which they were carried out. None: any."""
    query = sa.select(entries.c.id, *(entries.c[f] for f in TakenEntry._fields))
    query = query.where(entries.c.owner_id == owner_id, entries.c.id > after_id)
    if machine is not None:
        query = query.where(entries.c.machine == machine)
    if made_since_us is not None:
        query = query.where(entries.c.made_us >= made_since_us)
    rows = connection.execute(query.order_by(entries.c.id).limit(limit))
    return [(row.id, TakenEntry(*row[1:])) for row in rows]
