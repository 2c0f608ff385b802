"""
Figures for attention, over all devices: when each was last received, missing and quarantined numbers.

Promises: each figure is one statement over small tables, without the readings; of devices that were moved,
the quarantined ones are read for where they were measured, and of a stream whose last time is not noted, its
last readings. One owner, or all.
Leaves to others: which figures need a person (`ingest.analysis.concerns`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import held_places, newest, reports
from cleanside.ingest.store.models import (
    assignments,
    devices,
    housings,
    islands,
    machines,
    owners,
    quarantine,
    streams,
)
from cleanside.ingest.store.quarantine import HELD


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardDevice:
    """A registered device and the present state of its streams."""

    owner: str
    device: str
    machine: str | None
    registered_us: int
    #: None: no reading ever arrived
    heard_us: int | None
    #: when its newest reading was measured; old ones may have come just now. None: that is not known
    measured_us: int | None
    #: of the stream received last
    version: str | None
    #: numbers that the gateway reported and that did not arrive; and numbers missing below the highest seen
    pending: int
    gap: int
    #: a gateway said how many numbers it gave; False: a program posts by itself
    has_gateway: bool
    is_retired: bool
    #: name of its last event; read only where `quiet_since_us` is before the given instant
    last_event: str | None
    #: it sits on a machine, or left one after the given instant, or it is retired
    is_seated: bool

    @property
    def quiet_since_us(self) -> int:
        """Since when nothing new is known of its machine."""
        if self.heard_us is None:
            return self.registered_us
        return self.heard_us if self.measured_us is None else min(self.heard_us, self.measured_us)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantinedGroup:
    """Quarantined readings of one device and reason."""

    owner: str
    device: str
    #: on which they were measured; None: on several, on none, or their time is in doubt
    machine: str | None
    code: str
    #: another content has the number
    beside: bool
    readings: int
    oldest_us: int
    #: the most that a time was ahead when it came, beyond what is tolerated; None: there are other doubts
    lead_us: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CopiedGroup:
    """Readings of one device in conflict that a copied spool sent once more, under another time."""

    owner: str
    device: str
    #: of the first readings, and the highest number of them
    stream: str
    through: int
    readings: int
    oldest_us: int


def heard_devices(
    connection: sa.Connection, owner_id: int | None, *, quiet_before_us: int
) -> list[HeardDevice]:
    """
    Registered devices by owner and name.

    quiet_before_us : of those that neither sent nor measured anything after it, the last event. A seat
        that ended after it counts as held.
    """
    sits_on = _machines(connection, owner_id)
    seen, seated = _streams(connection, owner_id), _seated(connection, quiet_before_us)
    columns = (devices.c.id, devices.c.name, devices.c.registered_us, devices.c.retired_us)
    query = sa.select(owners.c.name.label("owner"), *columns)
    query = query.join_from(devices, owners).where(devices.c.registered_us.is_not(None))
    if owner_id is not None:
        query = query.where(devices.c.owner_id == owner_id)
    rows = []
    for row in connection.execute(query.order_by(owners.c.name, devices.c.name)).all():
        of_device = seen.get(row.id, [])
        last_heard = max(of_device, key=lambda s: (s.last_heard_us, s.id), default=None)
        found = HeardDevice(
            owner=row.owner,
            device=row.name,
            machine=sits_on.get(row.id),
            registered_us=row.registered_us,
            heard_us=None if last_heard is None else last_heard.last_heard_us,
            measured_us=_measured_us(connection, of_device),
            version=None if last_heard is None else last_heard.gateway_version,
            pending=sum(max(0, (s.appended_through or 0) - s.highest) for s in of_device),
            gap=sum(max(0, s.highest - s.mark - int(s.beyond or 0)) for s in of_device),
            has_gateway=any(s.appended_through is not None for s in of_device),
            is_retired=row.retired_us is not None,
            last_event=None,
            is_seated=row.retired_us is not None or row.id in seated,
        )
        if last_heard is not None and found.quiet_since_us <= quiet_before_us:
            last = reports.last_event(connection, [row.id])
            found = replace(found, last_event=None if last is None else last[0])
        rows.append(found)
    return rows


def _measured_us(connection: sa.Connection, of_device: Sequence[Any]) -> int | None:
    """When the newest of some streams was measured; None: nothing of one that was heard later is stored."""
    measured = [
        (s, newest.newest_measured_us(connection, s.id) if s.tail_us is None else s.tail_us)
        for s in of_device
    ]
    known_us = max((at_us for _, at_us in measured if at_us is not None), default=None)
    heard_us = max((s.last_heard_us for s, at_us in measured if at_us is None), default=None)
    return None if known_us is None or (heard_us is not None and heard_us > known_us) else known_us


def _machines(connection: sa.Connection, owner_id: int | None) -> dict[int, str]:
    """Device -> the machine it sits on now."""
    query = sa.select(assignments.c.device_id, machines.c.name).select_from(
        assignments.join(housings).join(machines)
    )
    if owner_id is not None:
        query = query.where(machines.c.owner_id == owner_id)
    rows = connection.execute(query.where(assignments.c.until_us.is_(None)).order_by(assignments.c.id))
    return {row.device_id: row.name for row in rows}


def _seated(connection: sa.Connection, since_us: int) -> set[int]:
    """Devices of all owners that sit on a housing, or did after an instant."""
    until_us = assignments.c.until_us
    query = sa.select(assignments.c.device_id).where(sa.or_(until_us.is_(None), until_us > since_us))
    return set(connection.scalars(query))


def _streams(connection: sa.Connection, owner_id: int | None) -> dict[int, list[Any]]:
    """Device -> rows of its streams, with how many numbers are in islands beyond the mark."""
    size = sa.select(
        islands.c.stream_id, sa.func.sum(islands.c.last - islands.c.first + 1).label("beyond")
    ).group_by(islands.c.stream_id)
    size_of = size.subquery()
    names = (
        *("id", "device_id", "mark", "highest", "appended_through", "last_heard_us", "tail_us"),
        "gateway_version",
    )
    query = sa.select(*(streams.c[name] for name in names), size_of.c.beyond)
    query = query.outerjoin_from(streams, size_of, size_of.c.stream_id == streams.c.id)
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    by_device: dict[int, list[Any]] = {}
    for row in connection.execute(query):
        by_device.setdefault(row.device_id, []).append(row)
    return by_device


def quarantined_groups(connection: sa.Connection, owner_id: int | None) -> list[QuarantinedGroup]:
    """Quarantined readings by owner, device and reason, most first."""
    many = sa.func.count()
    lead_us = sa.func.max(quarantine.c.recheck_us - quarantine.c.received_us)
    sits_on, moved = _machines(connection, owner_id), _measured_on(connection, owner_id)
    by = (owners.c.name, devices.c.name, quarantine.c.code, quarantine.c.beside, devices.c.id)
    query = (
        sa.select(*by, many, sa.func.min(quarantine.c.received_us), lead_us)
        .select_from(quarantine.join(streams).join(devices).join(owners, owners.c.id == devices.c.owner_id))
        .where(quarantine.c.state == HELD)
        .group_by(*by)
        .order_by(many.desc(), *by)
    )
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    return [
        QuarantinedGroup(
            owner=row[0],
            device=row[1],
            machine=moved[row[4]].get((row[2], bool(row[3]))) if row[4] in moved else sits_on.get(row[4]),
            code=row[2],
            beside=bool(row[3]),
            readings=row[5],
            oldest_us=row[6],
            lead_us=None if row[7] is None else int(row[7]),
        )
        for row in connection.execute(query)
    ]


def _measured_on(
    connection: sa.Connection, owner_id: int | None
) -> dict[int, dict[tuple[str, bool], str | None]]:
    """
    Of devices that did not always sit on one housing: (code, beside) -> the machine of all these readings.

    None: they were measured on several machines, or that is not known.
    """
    seats = held_places.moved_devices(connection, owner_id)
    if not seats:
        return {}
    where: dict[int, dict[tuple[str, bool], set[int | None]]] = {device: {} for device in seats}
    for one in held_places.held_of_moved(connection, seats):
        where[one.device_id].setdefault((one.code, one.beside), set()).add(one.housing_id)
    query = sa.select(housings.c.id, machines.c.name).join_from(housings, machines)
    housing_ids = {seat.housing_id for of_device in seats.values() for seat in of_device}
    names = {row.id: row.name for row in connection.execute(query.where(housings.c.id.in_(housing_ids)))}
    return {device: {by: _one(found, names) for by, found in of.items()} for device, of in where.items()}


def _one(found: Collection[int | None], names: Mapping[int, str]) -> str | None:
    """The one machine of some housings; None: they are of several, or one is not known."""
    of_machines = {None if housing_id is None else names[housing_id] for housing_id in found}
    return of_machines.pop() if len(of_machines) == 1 else None


def newest_received_us(connection: sa.Connection) -> int | None:
    """When something was received last, of all streams; None: never. By the clock of the server then."""
    newest_us: int | None = connection.scalar(sa.select(sa.func.max(streams.c.last_heard_us)))
    return newest_us


def silent_devices(connection: sa.Connection, before_us: int) -> int:
    """How many registered devices, not retired, were received last before an instant, or never since."""
    received = sa.select(streams.c.id).where(
        streams.c.device_id == devices.c.id, streams.c.last_heard_us >= before_us
    )
    query = sa.select(sa.func.count()).select_from(devices)
    query = query.where(devices.c.registered_us < before_us, devices.c.retired_us.is_(None))
    return connection.scalar(query.where(~received.exists())) or 0


def quarantined_readings(connection: sa.Connection) -> tuple[int, int]:
    """How many readings are in quarantine: for a person, and until their time has come."""
    query = sa.select(sa.func.count(), sa.func.count(quarantine.c.recheck_us))
    every, rechecked = connection.execute(query.where(quarantine.c.state == HELD)).one()
    return every - rechecked, rechecked
