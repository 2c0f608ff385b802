"""What people entered at machines, as their gateways sent it: numbered, each kept once by its id."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import device_entries, entry_streams

#: it was carried out; the same id was entered before; it waits for a seat of the device; it cannot be one;
#: another entry has its id; a later release may know what it is
TAKEN, SAME, WAITS, NOT_VALID, DIFFERS = "taken", "same_entry", "no_housing", "not_valid", "differs"
UNKNOWN = "kind_unknown"
#: of an entry: it was taken back at the machine
TAKEN_BACK = "taken_back"
#: of a taking back: the entry it names did not come yet; was taken back before; stands by a person's word
NO_ENTRY, GONE, STANDS = "no_entry", "gone", "stands"


class DeviceEntry(NamedTuple):
    """An entry as it came, and what became of it."""

    entry_id: str
    stream: str
    seq: int
    at_us: int
    at_uncertainty_s: float | None
    content: str  # JSON, as it was sent
    received_us: int
    outcome: str


def entry_mark(connection: sa.Connection, device_id: int, stream: str) -> int:
    """How far a stream of entries is stored; locked until the transaction ends. One that is new is made."""
    row = entry_streams.c
    new = dialect.insert(connection, entry_streams).values(
        device_id=device_id, stream=stream, acknowledged_through=0
    )
    connection.execute(new.on_conflict_do_nothing())
    query = sa.select(row.acknowledged_through).where(row.device_id == device_id, row.stream == stream)
    return int(connection.execute(query.with_for_update()).scalar_one())


def set_mark(connection: sa.Connection, device_id: int, stream: str, through: int) -> None:
    """A stream of entries is stored up to that number."""
    row = entry_streams.c
    update = sa.update(entry_streams).where(row.device_id == device_id, row.stream == stream)
    connection.execute(update.values(acknowledged_through=through))


def keep(connection: sa.Connection, device_id: int, entry: DeviceEntry) -> None:
    """Keep an entry, or what became of it meanwhile."""
    statement = dialect.insert(connection, device_entries).values(device_id=device_id, **entry._asdict())
    connection.execute(
        statement.on_conflict_do_update(
            index_elements=["device_id", "entry_id"], set_={"outcome": entry.outcome}
        )
    )


def find(connection: sa.Connection, device_id: int, entry_id: str) -> DeviceEntry | None:
    """An entry by its id; None: it did not come."""
    row = device_entries.c
    query = sa.select(*(row[name] for name in DeviceEntry._fields))
    found = connection.execute(query.where(row.device_id == device_id, row.entry_id == entry_id)).first()
    return None if found is None else DeviceEntry(*found)


def entries_with(connection: sa.Connection, device_ids: Collection[int], outcome: str) -> list[DeviceEntry]:
    """The entries of devices of which one thing became, in the order in which they came."""
    row = device_entries.c
    query = sa.select(*(row[name] for name in DeviceEntry._fields)).order_by(row.id)
    query = query.where(row.device_id.in_(device_ids), row.outcome == outcome)
    return [DeviceEntry(*found) for found in connection.execute(query)]


def entries_of(
    connection: sa.Connection, device_id: int, *, outcome: str | None = None, after_id: int = 0, limit: int
) -> list[tuple[int, DeviceEntry]]:
    """Row number and entry, in the order in which they came. outcome : only those; None: all."""
    row = device_entries.c
    query = sa.select(row.id, *(row[name] for name in DeviceEntry._fields))
    query = query.where(row.device_id == device_id, row.id > after_id).order_by(row.id).limit(limit)
    if outcome is not None:
        query = query.where(row.outcome == outcome)
    return [(number, DeviceEntry(*rest)) for number, *rest in connection.execute(query)]
