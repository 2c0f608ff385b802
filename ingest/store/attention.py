"""
Figures for attention, over all devices: when each was last received, missing and quarantined numbers.

Promises: each figure is one statement over small tables, without the readings. One owner, or all.
Leaves to others: which figures need a person (`ingest.analysis.concerns`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import reports
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
    #: of the stream received last
    version: str | None
    #: numbers that the gateway reported and that did not arrive; and numbers missing below the highest seen
    pending: int
    gap: int
    #: name of its last event; read only where `heard_us` is before the given instant
    last_event: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantinedGroup:
    """Quarantined readings of one device and reason."""

    owner: str
    device: str
    code: str
    #: another content has the number
    beside: bool
    readings: int
    #: how many the server checks again by itself
    rechecked: int
    oldest_us: int


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
    Registered devices by owner and name. quiet_before_us : of those not received after it, the last event.
    """
    sits_on = _machines(connection, owner_id)
    seen = _streams(connection, owner_id)
    query = sa.select(devices.c.id, owners.c.name.label("owner"), devices.c.name, devices.c.registered_us)
    query = query.join_from(devices, owners).where(devices.c.registered_us.is_not(None))
    if owner_id is not None:
        query = query.where(devices.c.owner_id == owner_id)
    rows = []
    for row in connection.execute(query.order_by(owners.c.name, devices.c.name)).all():
        of_device = seen.get(row.id, [])
        newest = max(of_device, key=lambda s: (s.last_heard_us, s.id), default=None)
        is_quiet = newest is not None and newest.last_heard_us <= quiet_before_us
        last = reports.last_event(connection, [row.id]) if is_quiet else None
        rows.append(
            HeardDevice(
                owner=row.owner,
                device=row.name,
                machine=sits_on.get(row.id),
                registered_us=row.registered_us,
                heard_us=None if newest is None else newest.last_heard_us,
                version=None if newest is None else newest.gateway_version,
                pending=sum(max(0, (s.appended_through or 0) - s.highest) for s in of_device),
                gap=sum(max(0, s.highest - s.mark - int(s.beyond or 0)) for s in of_device),
                last_event=None if last is None else last[0],
            )
        )
    return rows


def _machines(connection: sa.Connection, owner_id: int | None) -> dict[int, str]:
    """Device -> the machine it sits on now."""
    query = sa.select(assignments.c.device_id, machines.c.name).select_from(
        assignments.join(housings).join(machines)
    )
    if owner_id is not None:
        query = query.where(machines.c.owner_id == owner_id)
    rows = connection.execute(query.where(assignments.c.until_us.is_(None)).order_by(assignments.c.id))
    return {row.device_id: row.name for row in rows}


def _streams(connection: sa.Connection, owner_id: int | None) -> dict[int, list[Any]]:
    """Device -> rows of its streams, with how many numbers are in islands beyond the mark."""
    size = sa.select(
        islands.c.stream_id, sa.func.sum(islands.c.last - islands.c.first + 1).label("beyond")
    ).group_by(islands.c.stream_id)
    size_of = size.subquery()
    names = ("id", "device_id", "mark", "highest", "appended_through", "last_heard_us", "gateway_version")
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
    by = (owners.c.name, devices.c.name, quarantine.c.code, quarantine.c.beside)
    query = (
        sa.select(*by, many, sa.func.count(quarantine.c.recheck_us), sa.func.min(quarantine.c.received_us))
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
            code=row[2],
            beside=bool(row[3]),
            readings=row[4],
            rechecked=row[5],
            oldest_us=row[6],
        )
        for row in connection.execute(query)
    ]


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
