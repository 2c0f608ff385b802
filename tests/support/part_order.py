"""An open order of parts, without a plan that is accepted first."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import fleet, part_orders
from cleanside.ingest.store.part_orders import OrderRow


def an_order(connection: sa.Connection, owner_id: int) -> int:
    """Two pieces to order by the fourth of March. Returns its number."""
    wanted = OrderRow(0, "KG-0715", 2, "2026-03-04", "2026-03-06", 0, "ines.roth", "", None, None)
    part_orders.put_wanted(connection, owner_id, [wanted], "")
    [order] = part_orders.open_of(connection, owner_id)
    return order.id


def owner_of(connection: sa.Connection, machine: str) -> int:
    """Whose a machine is."""
    owners = fleet.every_owner(connection)
    return next(owner for owner in owners if fleet.machine(connection, owner, machine) is not None)
