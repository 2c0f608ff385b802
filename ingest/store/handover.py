"""
Rows that move when a machine changes owner: whole devices at once, shared ones number by number.

Promises: a row belongs to one owner before and after; a copy is made only where both may have it.
Leaves to others: which rows move (`ingest.owners.transfer`), locks on the streams.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.ingest.store import archive, dialect, fleet, papers, stored
from cleanside.ingest.store import hours as hour_store
from cleanside.ingest.store import quarantine as quarantine_store
from cleanside.ingest.store import readings as reading_store
from cleanside.ingest.store import reports as report_store
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.marks import Ranges, ranges_of, union
from cleanside.ingest.store.models import (
    assignments,
    boot_corrections,
    devices,
    exact_times,
    hours,
    housings,
    instants,
    machines,
    original_times,
    quarantine,
    streams,
)
from cleanside.ingest.store.quarantine import QuarantineRow
from cleanside.ingest.store.streams import UNNUMBERED

NumberSpan = tuple[int | None, int | None]


class DeviceOnHousing(NamedTuple):
    """A device with a past or present seat on a machine."""

    device: DeviceRow
    #: when it was there, None is open
    here: list[NumberSpan]
    #: True if it had a seat elsewhere too
    elsewhere: bool
    housing_ids: list[int]


def seated_on(connection: sa.Connection, machine_id: int) -> list[DeviceOnHousing]:
    """The devices with a past or present seat on a machine, by name."""
    own = [h.id for h in fleet.housings_of(connection, machine_id)]
    query = sa.select(assignments.c.device_id).where(assignments.c.housing_id.in_(own)).distinct()
    query = sa.select(*(devices.c[f] for f in DeviceRow._fields)).where(devices.c.id.in_(query))
    devices_seated = []
    for device in [DeviceRow(*row) for row in connection.execute(query.order_by(devices.c.name))]:
        seats = fleet.assignments_of_device(connection, device.id)
        real = [seat for seat in seats if seat.from_us is None or seat.from_us != seat.until_us]
        spans: list[NumberSpan] = [(seat.from_us, seat.until_us) for seat in real if seat.housing_id in own]
        if spans:
            devices_seated.append(DeviceOnHousing(device, spans, len(spans) < len(real), own))
    return devices_seated


def give_machine(connection: sa.Connection, machine_id: int, owner_id: int, name: str) -> None:
    """Move the machine with its housings, limits, changes, summaries and papers; site, crew, plan stay."""
    statement = sa.update(machines).where(machines.c.id == machine_id)
    connection.execute(statement.values(owner_id=owner_id, name=name))
    papers.forget_owner_of(connection, machine_id)
    of_machine = housings.c.machine_id == machine_id
    connection.execute(sa.update(housings).where(of_machine).values(revision=housings.c.revision + 1))


def give_device(connection: sa.Connection, device: DeviceRow, owner_id: int, name: str) -> None:
    """Move a device with its streams and all rows of these, also in the archive."""
    connection.execute(
        sa.update(devices).where(devices.c.id == device.id).values(owner_id=owner_id, name=name)
    )
    statement = sa.update(streams).where(streams.c.device_id == device.id)
    connection.execute(statement.values(owner_id=owner_id))
    unnumbered = streams.c.stream == UNNUMBERED + device.name
    connection.execute(statement.where(unnumbered).values(stream=UNNUMBERED + name))


def reseat(connection: sa.Connection, seat: DeviceOnHousing, device_id: int, *, overrule: bool) -> None:
    """
    Move the seats of a device on the machine to the device of the new owner.

    overrule : that device may have seats already, which are cut, because a device sits on one machine at a
    time.
    """
    conditions = assignments.c.device_id == seat.device.id, assignments.c.housing_id.in_(seat.housing_ids)
    if not overrule:
        connection.execute(sa.update(assignments).where(*conditions).values(device_id=device_id))
        return
    seats = fleet.assignments_of_device(connection, seat.device.id)
    connection.execute(sa.delete(assignments).where(*conditions))
    for old in seats:
        if old.housing_id in seat.housing_ids:
            fleet.assign(connection, device_id, old.housing_id, old.from_us, old.until_us)


def numbers_in(connection: sa.Connection, stream_id: int, spans: Sequence[NumberSpan]) -> Ranges:
    """A superset of the numbers measured in these spans: all numbers of the same hours."""
    ranges = []
    for from_us, until_us in spans:
        query = sa.select(hours.c.first_seq, hours.c.last_seq).where(hours.c.stream_id == stream_id)
        if from_us is not None:
            query = query.where(hours.c.hour >= from_us // hour_store.HOUR_US)
        if until_us is not None:
            query = query.where(hours.c.hour <= until_us // hour_store.HOUR_US)
        ranges += [(first, last) for first, last in connection.execute(query)]
    return union(ranges)


def is_archived(connection: sa.Connection, stream_id: int, numbers: Ranges) -> bool:
    """True if any of these numbers may be in the archive."""
    return any(archive.of_numbers(connection, stream_id, first, last) for first, last in numbers)


def times_of(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[tuple[int, int]]:
    """(number, instant [us]) of the readings in the tables among these numbers, in order of number."""
    return [(row.seq, row.at_us) for row in stored.times(connection, stream_id, numbers)]


def move_rows(connection: sa.Connection, old_id: int, new_id: int, times: Sequence[tuple[int, int]]) -> None:
    """Move readings (number, instant) in the tables to a stream that has none of these numbers."""
    if not times:
        return
    for first, last in ranges_of([seq for seq, _ in times]):
        stored.give(connection, old_id, new_id, (first, last))
        conditions = exact_times.c.stream_id == old_id, exact_times.c.seq.between(first, last)
        connection.execute(sa.update(exact_times).where(*conditions).values(stream_id=new_id))
    hour_store.count_down(connection, old_id, [at_us for _, at_us in times])
    seq, at_us = np.array(times, dtype=np.int64).T
    hour_store.touch(connection, [(new_id, span) for span in hour_store.hour_spans(seq, at_us)])


def put_rows(connection: sa.Connection, stream_id: int, rows: Sequence[dict[str, Any]]) -> None:
    """Store readings as `readings.take_out` gave them, under a stream; their hours are due for analysis."""
    if not rows:
        return
    unit_sets = {text: reading_store.keep_unit_set(connection, text) for text in {r["units"] for r in rows}}
    of_sets = [row | {"unit_set_id": unit_sets[row["units"]]} for row in rows]
    stored.put_back(connection, stream_id, of_sets)
    exact = {row["seq"]: row["instant"] for row in rows if row["instant"] is not None}
    reading_store.put_exact_times(connection, stream_id, exact)
    seq = np.array([row["seq"] for row in rows], dtype=np.int64)
    at_us = np.array([row["at_us"] for row in rows], dtype=np.int64)
    hour_store.touch(connection, [(stream_id, span) for span in hour_store.hour_spans(seq, at_us)])


def entries_of(connection: sa.Connection, stream_id: int) -> list[QuarantineRow]:
    """All quarantine entries of a stream, in any state."""
    query = quarantine_store.joined().where(quarantine.c.stream_id == stream_id)
    return [QuarantineRow(*row) for row in connection.execute(query.order_by(quarantine.c.id))]


def give_entries(connection: sa.Connection, entries: Sequence[QuarantineRow], stream_id: int) -> None:
    """Move quarantined readings to another stream, unless it has them: the same content is stored once."""
    present = {(e.seq, e.content_hash) for e in entries_of(connection, stream_id)}
    for entry in entries:
        condition = quarantine.c.id == entry.id
        if (entry.seq, entry.content_hash) in present:
            connection.execute(sa.delete(quarantine).where(condition))
        else:
            connection.execute(sa.update(quarantine).where(condition).values(stream_id=stream_id))


def stand_beside(
    connection: sa.Connection, entries: Sequence[QuarantineRow], stream_id: int, taken: Ranges
) -> None:
    """Mark moved entries whose number has another reading at the new stream as second ones."""
    for entry in entries:
        if any(first <= entry.seq <= last for first, last in taken):
            conditions = quarantine.c.id == entry.id, quarantine.c.stream_id == stream_id
            connection.execute(sa.update(quarantine).where(*conditions).values(beside=True))


def give_by_number(
    connection: sa.Connection, old_id: int, new_id: int, carried: Ranges, *, goes: bool
) -> None:
    """
    Move rows kept beside readings by their number, and the gateway's reports about them.

    goes : the gateway continues at the new owner, so its reports without a number move too.
    """
    for table in (instants, original_times):
        for first, last in carried:
            conditions = table.c.stream_id == old_id, table.c.seq.between(first, last)
            _copy(connection, table, new_id, *conditions)
            connection.execute(sa.delete(table).where(*conditions))
    if not carried:
        return
    lowest, top = carried[0][0], carried[-1][1]
    report_store.give(connection, old_id, new_id, (lowest, top), goes=goes)
    touching = boot_corrections.c.first <= top, boot_corrections.c.last >= lowest
    _copy(connection, boot_corrections, new_id, boot_corrections.c.stream_id == old_id, *touching)


def _copy(connection: sa.Connection, table: sa.Table, new_id: int, *here: sa.ColumnElement[bool]) -> None:
    names = [c.name for c in table.columns if c.name not in ("id", "stream_id")]
    rows = [row._asdict() for row in connection.execute(sa.select(*(table.c[n] for n in names)).where(*here))]
    if rows:
        statement = dialect.insert(connection, table).on_conflict_do_nothing()
        connection.execute(statement, [row | {"stream_id": new_id} for row in rows])


def close(connection: sa.Connection, stream_id: int) -> None:
    """Expect no further number of a stream: its gateway continues at another owner."""
    statement = sa.update(streams).where(streams.c.id == stream_id)
    connection.execute(statement.values(appended_through=streams.c.highest))
