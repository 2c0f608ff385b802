"""
Monitors without a valid key: each of their keys was revoked, has expired or waits to be confirmed.

Their gateways keep their readings and are refused, so a person has to hear of it before they count as silent.

Promises: two queries over small tables, of one owner or all. A monitor that never had a key is not among
them. Nor is one for which a program (role integrator) posted since the last key of its gateway ended.
Leaves to others: what to do about it (`ingest.intake.codes`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import devices, key_devices, keys, owners, streams

REVOKED, EXPIRED, SUSPENDED = "key_revoked", "key_expired", "key_suspended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Keyless:
    """A registered monitor that no valid key posts for."""

    device_id: int
    owner: str
    device: str
    #: how its last key ended: REVOKED, EXPIRED or SUSPENDED
    code: str
    since_us: int


def keyless_devices(connection: sa.Connection, owner_id: int | None, now_us: int) -> dict[int, Keyless]:
    """Device -> its state: those in use that no valid key posts for. owner_id : None, of all owners."""
    suspects = _suspects(connection, owner_id, now_us)
    found: dict[int, Keyless] = {}
    for part in dialect.in_lists(sorted(suspects)):
        rows: dict[int, list[Any]] = {}
        for row in connection.execute(_keys_of(part)):
            rows.setdefault(row.id, []).append(row)
        for device_id, of_device in rows.items():
            if (one := _keyless(of_device, suspects[device_id], now_us)) is not None:
                found[device_id] = one
    return found


def _suspects(connection: sa.Connection, owner_id: int | None, now_us: int) -> Mapping[int, bool]:
    """Device without a valid key of its own -> whether a program has a valid one for it."""
    values = {"now_us": now_us} if owner_id is None else {"now_us": now_us, "owner_id": owner_id}
    rows = connection.execute(_suspects_of(of_one_owner=owner_id is not None), values)
    return {row.id: bool(row.valid) for row in rows}


@cache
def _suspects_of(*, of_one_owner: bool) -> sa.Select[Any]:
    """The question of `_suspects`, for `now_us` and, if of one owner, `owner_id`. Put together once."""
    now_us = sa.bindparam("now_us", type_=sa.BigInteger)
    ends = (keys.c.revoked_us, keys.c.suspended_us, keys.c.expires_us)
    is_valid = sa.and_(*(sa.or_(end.is_(None), end > now_us) for end in ends))  # as `_end` has it
    is_own = keys.c.role == "device"
    own, valid, valid_own = (
        sa.func.sum(sa.case((condition, 1), else_=0))
        for condition in (is_own, is_valid, sa.and_(is_own, is_valid))
    )
    # Grouped before the devices come in: else SQLite looks through all keys of the owner for each device.
    ended = (
        sa.select(keys.c.owner_id, key_devices.c.device, valid.label("valid"))
        .join_from(keys, key_devices)
        .group_by(keys.c.owner_id, key_devices.c.device)
        .having(sa.and_(valid_own == 0, sa.or_(own > 0, valid == 0)))
    )
    if of_one_owner:
        ended = ended.where(keys.c.owner_id == sa.bindparam("owner_id"))
    of_device = ended.subquery()
    return (
        sa.select(devices.c.id, of_device.c.valid)
        .join_from(
            of_device,
            devices,
            sa.and_(devices.c.owner_id == of_device.c.owner_id, devices.c.name == of_device.c.device),
        )
        .where(devices.c.registered_us.is_not(None), devices.c.retired_us.is_(None))
    )


_BOUND = keys.join(key_devices).join(
    devices, sa.and_(devices.c.owner_id == keys.c.owner_id, devices.c.name == key_devices.c.device)
)


def _keys_of(device_ids: Sequence[int]) -> sa.Select[Any]:
    heard = sa.select(sa.func.max(streams.c.last_heard_us)).where(streams.c.device_id == devices.c.id)
    columns = (keys.c.role, keys.c.revoked_us, keys.c.expires_us, keys.c.suspended_us)
    query = sa.select(
        devices.c.id,
        devices.c.name.label("device"),
        owners.c.name.label("owner"),
        *columns,
        heard.scalar_subquery().label("heard_us"),
    )
    query = query.select_from(_BOUND.join(owners, owners.c.id == devices.c.owner_id))
    return query.where(devices.c.id.in_(device_ids))


def _keyless(rows: list[Any], program_may: bool, now_us: int) -> Keyless | None:
    """The state of a device by the rows of its keys; None: a program goes on posting for it."""
    ends = [end for row in rows if row.role == "device" or not program_may if (end := _end(row, now_us))]
    since_us, code = max(ends)
    if program_may and (rows[0].heard_us or 0) > since_us:
        return None
    row = rows[0]
    return Keyless(device_id=row.id, owner=row.owner, device=row.device, code=code, since_us=since_us)


def _end(row: Any, now_us: int) -> tuple[int, str] | None:
    """When a key ended first and how; None: it is valid."""
    ends = ((row.revoked_us, REVOKED), (row.expires_us, EXPIRED), (row.suspended_us, SUSPENDED))
    past = [(at_us, code) for at_us, code in ends if at_us is not None and at_us <= now_us]
    return min(past, default=None)
