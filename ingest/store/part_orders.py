"""Parts to order, for plans of visits or by hand: wanted, ordered, until they came or are given up."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import part_orders


class OrderRow(NamedTuple):
    """An order. Days are ISO 8601."""

    id: int
    part: str
    pieces: int
    order_by: str
    needed_on: str
    planned_us: int
    who: str
    sites: str  # of whoever accepted the plan, with commas between; "": all
    ordered_us: int | None  # None: not ordered yet
    ordered_by: str | None
    ended_us: int | None = None  # when it came or was given up; None: it is open
    ended_as: str | None = None  # came or dropped; None: it is open, or that is not known
    ended_by: str | None = None
    came_to: str | None = None  # the site whose stock has its pieces
    came_pieces: int | None = None
    entry_id: str | None = None  # of whoever entered it by hand; None: of a plan


_OPEN = part_orders.c.ended_us.is_(None)


def sites_text(sites: Collection[str]) -> str:
    """The sites of a key as an order has them."""
    return ",".join(sorted(sites))


def open_of(connection: sa.Connection, owner_id: int) -> list[OrderRow]:
    """The open orders of an owner, by day and part."""
    ordered = _orders(owner_id, _OPEN).order_by(part_orders.c.order_by, part_orders.c.part, part_orders.c.id)
    return [OrderRow(*row) for row in connection.execute(ordered)]


def closed_of(connection: sa.Connection, owner_id: int, since_us: int) -> list[OrderRow]:
    """The orders of an owner that ended since an instant in a way that is known, newest first."""
    query = _orders(owner_id, part_orders.c.ended_us >= since_us, part_orders.c.ended_as.is_not(None))
    ordered = query.order_by(part_orders.c.ended_us.desc(), part_orders.c.id.desc())
    return [OrderRow(*row) for row in connection.execute(ordered)]


def by_entry(connection: sa.Connection, owner_id: int, entry_id: str) -> OrderRow | None:
    """The order that a person entered under an id."""
    row = connection.execute(_orders(owner_id, part_orders.c.entry_id == entry_id)).first()
    return None if row is None else OrderRow(*row)


def find(
    connection: sa.Connection, owner_id: int, order_id: int, sites: Collection[str], *, lock: bool = False
) -> OrderRow | None:
    """
    An order of an owner for machines at these sites, open or not.

    sites empty: of all. lock : keep its row locked until the transaction ends.
    """
    query = _orders(owner_id, part_orders.c.id == order_id)
    row = connection.execute(query.with_for_update() if lock else query).first()
    return None if row is None or not is_of(OrderRow(*row), sites) else OrderRow(*row)


def _orders(owner_id: int, *which: sa.ColumnElement[bool]) -> sa.Select[Any]:
    """The columns of `OrderRow` of an owner's orders."""
    query = sa.select(*(part_orders.c[f] for f in OrderRow._fields))
    return query.where(part_orders.c.owner_id == owner_id, *which)


def is_of(order: OrderRow, sites: Collection[str]) -> bool:
    """True where an order is for machines at these sites alone. sites empty: of all."""
    return not sites or bool(order.sites and set(order.sites.split(",")) <= set(sites))


def put_wanted(connection: sa.Connection, owner_id: int, rows: Collection[OrderRow], sites: str) -> None:
    """Keep what a plan needs ordered; what an earlier plan for the same sites wanted is replaced."""
    here = part_orders.c.owner_id == owner_id, part_orders.c.sites == sites, part_orders.c.entry_id.is_(None)
    not_ordered = part_orders.c.ordered_us.is_(None)
    connection.execute(sa.delete(part_orders).where(*here, _OPEN, not_ordered))
    for row in rows:
        put(connection, owner_id, row)


def put(connection: sa.Connection, owner_id: int, row: OrderRow) -> bool:
    """Keep a new order. False: one has its entry id, and nothing is kept; another process may be faster."""
    values = {name: value for name, value in row._asdict().items() if name != "id"}
    statement = dialect.insert(connection, part_orders).values(owner_id=owner_id, **values)
    kept = connection.execute(statement.on_conflict_do_nothing().returning(part_orders.c.id))
    return kept.first() is not None


def edit(connection: sa.Connection, order_id: int, **changes: object) -> None:
    """Change columns of an order."""
    connection.execute(sa.update(part_orders).where(part_orders.c.id == order_id).values(**changes))
