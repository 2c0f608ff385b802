"""Sites, crews, parts and stock of an owner."""

from __future__ import annotations

import difflib
from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import (
    crews,
    machine_papers,
    machines,
    parts,
    people,
    person_sites,
    sites,
    stock,
)

#: what a machine may belong to at the shop -> its table
GROUPS = {"site": sites, "crew": crews}


class GroupRow(NamedTuple):
    """A site or a crew."""

    id: int
    name: str
    #: what people call it; None: its name
    display_name: str | None


class PartRow(NamedTuple):
    """A part as it is ordered."""

    id: int
    number: str
    description: str
    #: from order to delivery; None: not known
    lead_time_days: int | None


def groups_of(connection: sa.Connection, kind: str, owner_id: int) -> list[GroupRow]:
    """The sites or crews of an owner, by name. kind : site or crew."""
    table = GROUPS[kind]
    query = sa.select(*(table.c[f] for f in GroupRow._fields)).where(table.c.owner_id == owner_id)
    return [GroupRow(*row) for row in connection.execute(query.order_by(table.c.name))]


def nearest_group(written: str, known: Sequence[GroupRow]) -> str | None:
    """The name of the site or crew that a mistyped one resembles, or is called like; None: none."""
    called = {group.name.casefold(): group.name for group in known}
    called |= {group.display_name.casefold(): group.name for group in known if group.display_name}
    near = difflib.get_close_matches(written.casefold(), sorted(called), n=1)
    return called[near[0]] if near else None


def group(connection: sa.Connection, kind: str, owner_id: int, name: str) -> GroupRow | None:
    """A site or crew of this owner by name."""
    table = GROUPS[kind]
    query = sa.select(*(table.c[f] for f in GroupRow._fields))
    row = connection.execute(query.where(table.c.owner_id == owner_id, table.c.name == name)).first()
    return None if row is None else GroupRow(*row)


def keep_group(
    connection: sa.Connection, kind: str, owner_id: int, name: str, display_name: str | None = None
) -> GroupRow:
    """A site or crew, made now if it is not there. display_name : "" takes it away, None: it stays."""
    table = GROUPS[kind]
    statement = dialect.insert(connection, table).values(owner_id=owner_id, name=name)
    connection.execute(statement.on_conflict_do_nothing())
    found = group(connection, kind, owner_id, name)
    assert found is not None
    if display_name is None:
        return found
    values = {"display_name": display_name or None}
    connection.execute(sa.update(table).where(table.c.id == found.id).values(values))
    return found._replace(display_name=display_name or None)


def uses_of_group(connection: sa.Connection, kind: str, owner_id: int, known: GroupRow) -> list[str]:
    """What keeps a site or crew from being deleted: machines, stock, people; each by name. Empty: nothing."""
    column = machine_papers.c[f"{kind}_id"]
    of_papers = sa.select(machines.c.name).join_from(machine_papers, machines).where(column == known.id)
    found = list(connection.scalars(of_papers.order_by(machines.c.name)))
    if kind == "site":
        kept = stock.c.site_id == known.id, stock.c.pieces > 0
        of_stock = sa.select(parts.c.number).join_from(stock, parts).where(*kept)
        found += connection.scalars(of_stock.order_by(parts.c.number))
        limited = sa.select(people.c.name).join_from(person_sites, people)
        limited = limited.where(people.c.owner_id == owner_id, person_sites.c.site == known.name)
        found += connection.scalars(limited.order_by(people.c.name))
    return found


def delete_group(connection: sa.Connection, kind: str, known: GroupRow) -> None:
    """Delete a site or crew that nothing uses, with lines of stock that count no pieces."""
    if kind == "site":
        connection.execute(sa.delete(stock).where(stock.c.site_id == known.id))
    connection.execute(sa.delete(GROUPS[kind]).where(GROUPS[kind].c.id == known.id))


# ---------------------------------------------------------------- parts


def parts_of(connection: sa.Connection, owner_id: int) -> list[PartRow]:
    """The parts of an owner, by number."""
    query = sa.select(*(parts.c[f] for f in PartRow._fields)).where(parts.c.owner_id == owner_id)
    return [PartRow(*row) for row in connection.execute(query.order_by(parts.c.number))]


def part(connection: sa.Connection, owner_id: int, number: str) -> PartRow | None:
    """A part of this owner by number."""
    query = sa.select(*(parts.c[f] for f in PartRow._fields))
    row = connection.execute(query.where(parts.c.owner_id == owner_id, parts.c.number == number)).first()
    return None if row is None else PartRow(*row)


def keep_part(connection: sa.Connection, owner_id: int, number: str) -> PartRow:
    """A part, made now if there is none of that number."""
    statement = dialect.insert(connection, parts).values(owner_id=owner_id, number=number, description="")
    connection.execute(statement.on_conflict_do_nothing())
    found = part(connection, owner_id, number)
    assert found is not None
    return found


def edit_part(connection: sa.Connection, known: PartRow, **changes: object) -> None:
    """Change columns of a part, of `PartRow`."""
    if changes:
        connection.execute(sa.update(parts).where(parts.c.id == known.id).values(**changes))


def put_stock(connection: sa.Connection, part_id: int, site_id: int, pieces: int) -> None:
    """Set how many pieces of a part are at a site."""
    values = {"part_id": part_id, "site_id": site_id, "pieces": pieces}
    statement = dialect.insert(connection, stock).values(values)
    connection.execute(
        statement.on_conflict_do_update(index_elements=["part_id", "site_id"], set_={"pieces": pieces})
    )


def add_stock(connection: sa.Connection, owner_id: int, number: str, site: str, pieces: int) -> bool:
    """Put pieces of a part to the stock of a site. False: the part or the site is not there any more."""
    known, at = part(connection, owner_id, number), group(connection, "site", owner_id, site)
    if known is None or at is None:
        return False
    values = {"part_id": known.id, "site_id": at.id, "pieces": pieces}
    more = dialect.insert(connection, stock).values(values)
    more = more.on_conflict_do_update(
        index_elements=["part_id", "site_id"], set_={"pieces": stock.c.pieces + pieces}
    )
    connection.execute(more)
    return True


def take_stock(connection: sa.Connection, owner_id: int, number: str, site: str, pieces: int) -> bool:
    """Take pieces of a part from the stock of a site. False: there are not so many; then none is taken."""
    known, at = part(connection, owner_id, number), group(connection, "site", owner_id, site)
    if known is None or at is None:
        return False
    here = (stock.c.part_id == known.id) & (stock.c.site_id == at.id) & (stock.c.pieces >= pieces)
    less = sa.update(stock).where(here).values(pieces=stock.c.pieces - pieces)
    return connection.execute(less).rowcount > 0


_STOCK = (  # made once: to find what joins the tables takes ten times as long as the answer
    sa.select(parts.c.number, sites.c.name, stock.c.pieces)
    .select_from(stock.join(parts).join(sites))
    .where(parts.c.owner_id == sa.bindparam("owner"))
    .order_by(parts.c.number, sites.c.name)
)


def stock_of(connection: sa.Connection, owner_id: int) -> dict[str, dict[str, int]]:
    """Part number -> site -> pieces, of an owner."""
    found: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for number, site, pieces in connection.execute(_STOCK, {"owner": owner_id}):
        found[number][site] = pieces
    return dict(found)
