"""What entered changes took from the stock of the sites where their machines were."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect, shop
from cleanside.ingest.store.models import housings, machines, part_uses, stock


class PartUse(NamedTuple):
    """What a change took. pieces 0: the stock there showed none, so nothing was taken."""

    part: str
    site: str
    pieces: int


def take(
    connection: sa.Connection,
    owner_id: int,
    housing_id: int,
    entry_id: str,
    part: str,
    site: str,
    now_us: int,
) -> PartUse | None:
    """
    Take a piece of a part from the stock of a site for an entry; never below zero.

    None: the shop keeps no such part, or the entry took its piece before.
    """
    known, at = shop.part(connection, owner_id, part), shop.group(connection, "site", owner_id, site)
    if known is None or at is None:
        return None
    use = {"housing_id": housing_id, "entry_id": entry_id, "part": part, "site": site, "pieces": 0}
    made = dialect.insert(connection, part_uses).values(**use, used_us=now_us).on_conflict_do_nothing()
    if connection.execute(made.returning(part_uses.c.pieces)).first() is None:
        return None
    here = (stock.c.part_id == known.id) & (stock.c.site_id == at.id) & (stock.c.pieces > 0)
    less = sa.update(stock).where(here).values(pieces=stock.c.pieces - 1)
    pieces = connection.execute(less).rowcount
    connection.execute(sa.update(part_uses).where(_of_entry(housing_id, entry_id)).values(pieces=pieces))
    return PartUse(part, site, pieces)


def give_back(connection: sa.Connection, owner_id: int, housing_id: int, entry_id: str) -> PartUse | None:
    """What an entry took goes back to its site. None: it took nothing."""
    query = sa.select(*(part_uses.c[f] for f in PartUse._fields)).where(_of_entry(housing_id, entry_id))
    row = connection.execute(query).first()
    if row is None:
        return None
    use = PartUse(*row)
    connection.execute(sa.delete(part_uses).where(_of_entry(housing_id, entry_id)))
    shop.add_stock(connection, owner_id, use.part, use.site, use.pieces)
    return use


def uses_of_owner(connection: sa.Connection, owner_id: int) -> dict[tuple[int, str], PartUse]:
    """Housing and entry -> what the entry took."""
    fields = (part_uses.c[f] for f in PartUse._fields)
    query = sa.select(part_uses.c.housing_id, part_uses.c.entry_id, *fields)
    query = query.join_from(part_uses, housings).join(machines).where(machines.c.owner_id == owner_id)
    return {(row[0], row[1]): PartUse(*row[2:]) for row in connection.execute(query)}


def _of_entry(housing_id: int, entry_id: str) -> sa.ColumnElement[bool]:
    return (part_uses.c.housing_id == housing_id) & (part_uses.c.entry_id == entry_id)
