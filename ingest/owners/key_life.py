"""
How a key begins, is replaced and ends.

- A key may have an end (`expires_us`). From then on it answers 401 `key_expired`; `EXPIRES_SOON_US` before,
  every answer to it carries the header Key-Expires, and lists say so.
- Rotation makes a successor with the same role, devices, note and owner. The old key goes on for a stated
  overlap, then ends. Asked again before the successor was used, as after a lost reply, the successor gets a
  new secret: the unseen one is no longer valid, and no row is added. An admin or the command line may
  rotate any key of the owner, a device key itself, at most once an hour.
- An owner that has a valid admin key keeps one that lasts: not revoked, and without an end. So the last one
  cannot be revoked, get an end, or be replaced by one that has an end. A replaced admin key goes on, past its
  overlap, until its successor was used: a lost reply locks no owner out. The command line on the server
  can always make an admin key.

Promises: the owner is locked from the check to the commit, so two admins that revoke each other at the same
moment, in any processes, cannot both succeed. The audit log has who did each.
Leaves to others: who may ask (`ingest.owners.access`), the answer to an ended key
(`ingest.owners.access`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners.access import BOUND_ROLES, NewKey
from cleanside.ingest.store import audit, fleet, keys, one_time_codes
from cleanside.ingest.store.keys import Key

HOUR_US = 3_600_000_000
OVERLAP_HOURS = 24 * 30  # a machine may be parked for weeks between rotation and the next key-on; chosen
MOST_OVERLAP_HOURS = 24 * 90
EXPIRES_SOON_US = 14 * 24 * HOUR_US  # time to carry a key to a machine; chosen
OWN_PACE_US = HOUR_US  # a device key replaces itself once in this time, so a loop makes few rows; chosen
ISSUE_AGAIN_US = 60_000_000  # and asks again for a successor that it never saw once in this time; chosen
COMMAND = "command"  # the author of actions on the server's command line


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedKey:
    """An order for a key."""

    owner_id: int
    #: handle of the key that makes it, or `COMMAND`
    who: str
    role: str
    devices: list[str]
    note: str
    #: None: it lasts
    expires_us: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotated:
    """The outcome of a rotation."""

    key: Key
    replaces: str
    #: when the replaced key ends
    ends_us: int
    #: when the successor was made whose secret was replaced by this one and ended now; None: it is new
    earlier_us: int | None


def expires_soon(key: Key, now_us: int) -> bool:
    """True for a valid key from `EXPIRES_SOON_US` before its end on: it is time to replace it. Pure."""
    if key.expires_us is None or key.state(now_us) != keys.VALID:
        return False
    return now_us >= key.expires_us - EXPIRES_SOON_US


def check_devices(role: str, devices: list[str]) -> None:
    """Raise Refused where a key's devices do not fit its role."""
    if role == "device" and not devices:
        raise NotValid(Complaint("#/devices", "key_without_devices"))
    if devices and role not in BOUND_ROLES:
        raise NotValid(Complaint("#/devices", "role_without_devices", role=role))


def make(connection: sa.Connection, wanted: WantedKey, new: NewKey, now_us: int) -> Key:
    """Store a new key. Raises Refused: 422 for devices or an end that do not fit, 409 `last_admin_key`."""
    check_devices(wanted.role, wanted.devices)
    _refuse_past(wanted.expires_us, now_us)
    fleet.lock_owner(connection, wanted.owner_id)
    if wanted.role == "admin" and wanted.expires_us is not None:
        _require_lasting(connection, wanted.owner_id, besides=())
    keys.create(
        connection,
        handle=new.handle,
        secret_hash=new.secret_hash,
        owner_id=wanted.owner_id,
        role=wanted.role,
        note=wanted.note,
        devices=wanted.devices,
        now_us=now_us,
        expires_us=wanted.expires_us,
    )
    made = _reload(connection, new.handle)
    about = {"key": made.handle, "role": made.role, "devices": sorted(made.devices)}
    audit.note(connection, made.owner_id, now_us, wanted.who, "key", **about)
    return made


def revoke(connection: sa.Connection, owner_id: int, handle: str, who: str, now_us: int) -> Key:
    """
    End a key for ever. A second time changes nothing. Returns the key as it was.

    Raises NotFound, Refused: 409 `last_admin_key`.
    """
    fleet.lock_owner(connection, owner_id)
    key = _find(connection, owner_id, handle)
    if key.role == "admin" and key.state(now_us) == keys.VALID:
        _require_lasting(connection, owner_id, besides=(key.handle,))
    keys.revoke(connection, owner_id, handle, now_us)
    if key.revoked_us is None:
        audit.note(connection, owner_id, now_us, who, "key_revoked", key=handle)
    return key


def rotate(
    connection: sa.Connection,
    key: Key,
    handle: str,
    new: NewKey,
    *,
    overlap_us: int,
    expires_us: int | None,
    now_us: int,
) -> Rotated:
    """
    Make the successor of a key of the same owner.

    key : the asking key; `key.handle` may be the same key. expires_us : of the successor; None: the same
    span as the old key had from its making to its end, or for ever.
    Raises NotFound; Refused: 409 `not_rotatable` or `last_admin_key`, 422 for an end in the past, 429
    `over_quota` for a device key that replaced itself a moment ago.
    """
    return rotate_for(
        connection,
        key.owner_id,
        handle,
        new,
        who=key.handle,
        itself=key.handle == handle and key.role != "admin",
        overlap_us=overlap_us,
        expires_us=expires_us,
        now_us=now_us,
    )


def rotate_for(
    connection: sa.Connection,
    owner_id: int,
    handle: str,
    new: NewKey,
    *,
    who: str,
    itself: bool,
    overlap_us: int,
    expires_us: int | None,
    now_us: int,
) -> Rotated:
    """As `rotate`. who : handle, or `COMMAND`. itself : a key that is no admin's replaces itself."""
    fleet.lock_owner(connection, owner_id)
    old = _find(connection, owner_id, handle)
    unused = _unused_successor(connection, old, now_us)
    if itself:
        _refuse_too_often(
            old if unused is None else unused, now_us, OWN_PACE_US if unused is None else ISSUE_AGAIN_US
        )
    ends_us = expires_us if expires_us is not None else _same_span(unused or old, now_us)
    _refuse_past(ends_us, now_us)
    if old.role == "admin" and ends_us is not None:
        _require_lasting(connection, owner_id, besides=(old.handle, old.replaced_by))
    if unused is None:
        _succeed(connection, old, new, ends_us, now_us)
    else:
        keys.issue_again(connection, unused.id, new.secret_hash, ends_us, now_us)
    successor = _reload(connection, new.handle if unused is None else unused.handle)
    old_ends_us = min(now_us + overlap_us, old.expires_us or now_us + overlap_us)
    keys.set_replaced(connection, old.id, successor.handle, old_ends_us)
    about = {"key": old.handle, "successor": successor.handle, "ends_at": instant_text(old_ends_us)}
    audit.note(connection, owner_id, now_us, who, "key_rotated", **about)
    earlier_us = None if unused is None else unused.created_us
    return Rotated(key=successor, replaces=old.handle, ends_us=old_ends_us, earlier_us=earlier_us)


def _succeed(connection: sa.Connection, old: Key, new: NewKey, ends_us: int | None, now_us: int) -> None:
    keys.create(
        connection,
        handle=new.handle,
        secret_hash=new.secret_hash,
        owner_id=old.owner_id,
        role=old.role,
        note=old.note,
        devices=sorted(old.devices),
        now_us=now_us,
        expires_us=ends_us,
    )
    # An open code is valid as long as its maker's key, so it passes to the successor.
    one_time_codes.pass_on(connection, old.owner_id, old.handle, new.handle)


def _unused_successor(connection: sa.Connection, old: Key, now_us: int) -> Key | None:
    """The successor that was issued and not used yet; None: there is none. Raises Refused (409)."""
    state = old.state(now_us)
    after = None if old.replaced_by is None else keys.by_handle(connection, old.replaced_by)
    if state != keys.VALID:
        raise Refused("not_rotatable", status=409, handle=old.handle, state=state)
    if after is None or after.revoked_us is not None:
        return None
    if after.last_used_us is not None:
        handle, successor = old.handle, after.handle
        raise Refused(
            "successor_in_use", status=409, code="not_rotatable", handle=handle, successor=successor
        )
    return after


def _same_span(key: Key, now_us: int) -> int | None:
    return None if key.expires_us is None else now_us + key.expires_us - key.created_us


def _refuse_past(expires_us: int | None, now_us: int) -> None:
    if expires_us is not None and expires_us <= now_us:
        raise NotValid(Complaint("#/expires_at", "expires_in_the_past"))


def _refuse_too_often(last: Key, now_us: int, pace_us: int) -> None:
    wait_us = last.created_us + pace_us - now_us
    if wait_us > 0:
        headers = {"Retry-After": str(math.ceil(wait_us / 1e6))}
        raise Refused("rotated_lately", status=429, code="over_quota", headers=headers, handle=last.handle)


def _require_lasting(connection: sa.Connection, owner_id: int, *, besides: tuple[str | None, ...]) -> None:
    """Raise Refused (409) unless the owner has an admin key that lasts, besides these."""
    if not set(keys.lasting_admins(connection, owner_id)) - set(besides):
        raise Refused("last_admin_key", status=409)


def _find(connection: sa.Connection, owner_id: int, handle: str) -> Key:
    key = keys.by_handle(connection, handle)
    if key is None or key.owner_id != owner_id:
        raise NotFound("key", handle)
    return key


def _reload(connection: sa.Connection, handle: str) -> Key:
    key = keys.by_handle(connection, handle)
    assert key is not None
    return key
