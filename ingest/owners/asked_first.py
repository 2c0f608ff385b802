"""
What a registration is asked about before it is done: another machine for a monitor, a name that is there but
for its capital letters, a start that lies far ahead.

Promises: the same request again is never asked about. A request that says why it is meant is not either, but
for a start far ahead, which would quarantine every reading. Names that a key may not see answer as unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import Complaint
from cleanside.ingest.owners.access import sees_device
from cleanside.ingest.owners.reach import sees_machine
from cleanside.ingest.owners.seating import DAY_US, MOST_AHEAD_US, SeatOrder
from cleanside.ingest.store import fleet
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.names_like import but_for_case, names_like


def too_far_ahead(member: str, at_us: int | None, now_us: int) -> list[Complaint]:
    """A start of a device that lies as far off as no seat may. at_us : None = not given. Pure."""
    if at_us is None or at_us <= now_us + MOST_AHEAD_US:
        return []
    days = MOST_AHEAD_US // DAY_US
    return [Complaint(f"#/{member}", "seat_too_far_ahead", at=instant_text(at_us), days=days)]


def of_machine_name(
    connection: sa.Connection, key: Key, name: str, known: fleet.MachineRow | None, pointer: str
) -> list[Complaint]:
    """Is a name another machine's but for its capital letters. known : whose it will be, None: new."""
    alike = names_like(connection, "machine", key.owner_id, name)
    others = [other for other in alike if known is None or other != known.name]
    there = [fleet.machine(connection, key.owner_id, other) for other in others]
    return _but_for_case(pointer, name, [m.name for m in there if m and sees_machine(connection, key, m)])


def of_housing_name(connection: sa.Connection, machine_id: int, name: str, pointer: str) -> list[Complaint]:
    """Is a name another housing's of its machine but for its capital letters."""
    return _but_for_case(pointer, name, [h.name for h in fleet.housings_of(connection, machine_id)])


def of_device_name(connection: sa.Connection, key: Key, name: str) -> list[Complaint]:
    """Is the name of a device another registered one's but for its capital letters."""
    alike = names_like(connection, "device", key.owner_id, name)
    return _but_for_case("#/device", name, [n for n in alike if n == name or sees_device(key, n)])


def of_shop_name(
    connection: sa.Connection, key: Key, noun: Literal["site", "crew", "part"], name: str
) -> list[Complaint]:
    """
    Is the name of a site, crew or part another's of the shop but for its capital letters.

    Who is for some sites sees no other; but theirs are there, so that none of those names is new.
    """
    return _but_for_case(f"#/{noun}", name, names_like(connection, noun, key.owner_id, name))


def of_seat(connection: sa.Connection, key: Key, name: str, order: SeatOrder) -> list[Complaint]:
    """Would a device leave the housing on which it sits now, though the order has no time for it."""
    known = fleet.device(connection, key.owner_id, name)
    if known is None or order.from_us is not None or order.with_history:
        return []
    sits = [s for s in fleet.assignments_of_device(connection, known.id) if s.until_us is None]
    if not sits or any(seat.housing_id == order.housing_id for seat in sits):
        return []
    place = {"device": name, "machine": sits[-1].machine, "housing": sits[-1].housing}
    return [Complaint("#/machine", "device_sits_elsewhere", **place)]


def _but_for_case(pointer: str, name: str, there: Sequence[str]) -> list[Complaint]:
    other = but_for_case(name, there)
    return [] if other is None else [Complaint(pointer, "name_but_for_case", name=name, other=other)]
