"""
The last announced state of housings, quarantined readings and accounts, so that only news is announced.

Leaves to others: which news there are (`ingest.webhooks.announcing`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import (
    devices,
    housings,
    machines,
    quarantine,
    streams,
    told_housings,
    told_owners,
)


@dataclass(frozen=True, slots=True)
class ToldHousing:
    """A row of `told_housings`."""

    housing_id: int
    state: str
    change_us: int
    at_us: int


@dataclass(frozen=True, slots=True)
class ToldOwner:
    """A row of `told_owners`."""

    owner_id: int
    entry_id: int
    account_balances: bool
    account_at_us: int


def housings_of(connection: sa.Connection, owner_id: int) -> dict[int, ToldHousing]:
    """Housing -> what was last announced of it."""
    query = sa.select(*(told_housings.c[f] for f in ToldHousing.__slots__))
    query = query.select_from(told_housings.join(housings).join(machines))
    rows = connection.execute(query.where(machines.c.owner_id == owner_id))
    return {row.housing_id: ToldHousing(*row) for row in rows}


def owner(connection: sa.Connection, owner_id: int) -> ToldOwner | None:
    """What was last announced of an owner's readings."""
    query = sa.select(*(told_owners.c[f] for f in ToldOwner.__slots__))
    row = connection.execute(query.where(told_owners.c.owner_id == owner_id)).first()
    return None if row is None else ToldOwner(*row)


def held_since(
    connection: sa.Connection, owner_id: int, entry_id: int | None, settled_us: int
) -> tuple[int, list[tuple[str, str, int]]]:
    """
    Newest entry received by `settled_us`, and (device, code, how many) of those after `entry_id`.

    entry_id : the newest that was announced; None: none was, then there are no groups.
    """
    of_owner = quarantine.join(streams).join(devices)
    newest_query = sa.select(sa.func.max(quarantine.c.id)).select_from(of_owner)
    conditions = (streams.c.owner_id == owner_id, quarantine.c.received_us <= settled_us)
    newest = connection.scalar(newest_query.where(*conditions)) or (entry_id or 0)
    if entry_id is None or newest <= entry_id:
        return newest, []
    many = sa.func.count()
    query = sa.select(devices.c.name, quarantine.c.code, many).select_from(of_owner)
    query = query.where(streams.c.owner_id == owner_id, quarantine.c.id > entry_id, quarantine.c.id <= newest)
    query = query.where(quarantine.c.code != "set_aside")  # a person quarantined these, and needs no event
    query = query.group_by(devices.c.name, quarantine.c.code)
    rows = connection.execute(query.order_by(many.desc(), devices.c.name, quarantine.c.code))
    return newest, [(row[0], row[1], row[2]) for row in rows]


def save(
    connection: sa.Connection,
    owner_id: int,
    of_housings: Sequence[ToldHousing],
    entry_id: int | None,
    account: tuple[bool, int] | None,
) -> None:
    """Write what is announced now; None: as it was."""
    for entry in of_housings:
        statement = dialect.insert(connection, told_housings).values(**asdict(entry))
        changed = {"state": entry.state, "change_us": entry.change_us, "at_us": entry.at_us}
        connection.execute(
            statement.on_conflict_do_update(index_elements=[told_housings.c.housing_id], set_=changed)
        )
    changed_owner: dict[str, int | bool] = {} if entry_id is None else {"entry_id": entry_id}
    if account is not None:
        changed_owner |= {"account_balances": account[0], "account_at_us": account[1]}
    if changed_owner:
        first = {"entry_id": 0, "account_balances": True, "account_at_us": 0} | changed_owner
        fresh = dialect.insert(connection, told_owners).values(owner_id=owner_id, **first)
        connection.execute(
            fresh.on_conflict_do_update(index_elements=[told_owners.c.owner_id], set_=changed_owner)
        )
