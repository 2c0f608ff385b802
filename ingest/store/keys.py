"""
Keys: who may call, in which role, for which devices. A secret is kept as a hash only.

Promises: `revoked_us` is written in one place, which also notes it for `ingest.store.revocations`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect, fleet, revocations
from cleanside.ingest.store.models import key_devices, keys, owners

VALID, REVOKED, EXPIRED, SUSPENDED = "valid", "revoked", "expired", "suspended"


class Key(NamedTuple):
    """
    A key without its secret; or, for the time of a request, the person who is signed in.

    A person has their role, owner and name (`handle`), a number below 0, and no devices.
    """

    id: int
    handle: str
    secret_hash: str
    owner_id: int
    owner: str
    role: str
    note: str
    created_us: int
    last_used_us: int | None
    revoked_us: int | None
    #: from then on it is not valid; None: it lasts
    expires_us: int | None
    #: handle of its successor; None: it was not replaced
    replaced_by: str | None
    #: True: an admin key that stays valid past its end, until its lasting successor is used
    is_needed: bool
    #: since when it waits for a person to confirm it, after a restore
    suspended_us: int | None = None
    #: names of the devices it may post for; only roles that post are bound
    devices: frozenset[str] = frozenset()
    #: of a person: names of the sites they see; empty: all
    sites: frozenset[str] = frozenset()
    #: of a person: the language they chose for the pages; None: as the browser asks
    language: str | None = None

    @property
    def is_person(self) -> bool:
        """True for a person who is signed in, False for a key of a program."""
        return self.id < 0

    @property
    def whole_name(self) -> str:
        """The handle with the owner, as "mara.lindt@kargrund": two owners may have people of one name."""
        return f"{self.handle}@{self.owner}"

    def state(self, now_us: int) -> str:
        """VALID, REVOKED, EXPIRED or SUSPENDED at an instant."""
        if self.revoked_us is not None:
            return REVOKED
        if self.expires_us is not None and self.expires_us <= now_us and not self.is_needed:
            return EXPIRED
        return VALID if self.suspended_us is None else SUSPENDED


_SUCCESSOR = keys.alias("successor")
_IS_NEEDED = (keys.c.role == "admin") & sa.exists().where(
    _SUCCESSOR.c.handle == keys.c.replaced_by,
    _SUCCESSOR.c.last_used_us.is_(None),
    _SUCCESSOR.c.revoked_us.is_(None),
    _SUCCESSOR.c.expires_us.is_(None),
)
_OTHERWISE = {"owner": owners.c.name.label("owner"), "is_needed": _IS_NEEDED.label("is_needed")}
_COLUMNS = Key._fields[: Key._fields.index("devices")]
_KEY: sa.Select[Any] = sa.select(
    *(_OTHERWISE[f] if f in _OTHERWISE else keys.c[f] for f in _COLUMNS)
).join_from(keys, owners)
_BY_HANDLE = _KEY.where(keys.c.handle == sa.bindparam("handle"))


def by_handle(connection: sa.Connection, handle: str) -> Key | None:
    """A key by its public handle, revoked or not."""
    row = connection.execute(_BY_HANDLE, {"handle": handle}).first()
    return None if row is None else Key(*row)._replace(devices=_devices(connection, row.id))


def by_handles(connection: sa.Connection, handles: Sequence[str]) -> list[Key]:
    """The keys that have one of these handles, revoked or not, in no order: two queries for all."""
    query = _KEY.where(keys.c.handle.in_(dialect.padded(handles)))
    found = {row.id: Key(*row) for row in connection.execute(query)}
    devices: dict[int, set[str]] = {number: set() for number in found}
    listed = dialect.padded(list(found))
    bound = sa.select(key_devices.c.key_id, key_devices.c.device).where(key_devices.c.key_id.in_(listed))
    for row in connection.execute(bound):
        devices[row.key_id].add(row.device)
    return [key._replace(devices=frozenset(devices[number])) for number, key in found.items()]


def _devices(connection: sa.Connection, key_id: int) -> frozenset[str]:
    return frozenset(
        connection.scalars(sa.select(key_devices.c.device).where(key_devices.c.key_id == key_id))
    )


def list_of(
    connection: sa.Connection, owner_id: int, *, after_id: int = 0, limit: int | None = None
) -> list[Key]:
    """Keys of an owner, oldest first: all, or at most `limit` after one."""
    query = _KEY.where(keys.c.owner_id == owner_id, keys.c.id > after_id).order_by(keys.c.id)
    rows = connection.execute(query.limit(limit)).all()
    return [Key(*row)._replace(devices=_devices(connection, row.id)) for row in rows]


def notes_of(connection: sa.Connection, owner_id: int) -> dict[str, str]:
    """Handle -> note of the keys of an owner, ended ones too."""
    query = sa.select(keys.c.handle, keys.c.note).where(keys.c.owner_id == owner_id)
    return {row.handle: row.note for row in connection.execute(query)}


def of_device(connection: sa.Connection, owner_id: int, device: str) -> list[Key]:
    """Keys of an owner that are bound to a device of this name, revoked ones too."""
    bound = sa.select(key_devices.c.key_id).where(key_devices.c.device == device)
    query = _KEY.where(keys.c.owner_id == owner_id, keys.c.id.in_(bound)).order_by(keys.c.id.desc())
    return [Key(*row) for row in connection.execute(query)]


def others_bound(connection: sa.Connection, key: Key, device: str, now_us: int) -> bool:
    """True if a valid key of the same owner, other than this one, is bound to a device of this name."""
    query = sa.select(keys.c.id).join_from(keys, key_devices)
    query = query.where(keys.c.owner_id == key.owner_id, keys.c.id != key.id, keys.c.revoked_us.is_(None))
    query = query.where(sa.or_(keys.c.expires_us.is_(None), keys.c.expires_us > now_us))
    return connection.execute(query.where(key_devices.c.device == device).limit(1)).first() is not None


def create(
    connection: sa.Connection,
    *,
    handle: str,
    secret_hash: str,
    owner_id: int,
    role: str,
    note: str,
    devices: Sequence[str],
    now_us: int,
    expires_us: int | None = None,
) -> int:
    """Store a new key, bound to devices by name. Returns its number."""
    fleet.lock_owner(connection, owner_id)  # these names are not free any more
    values: dict[str, Any] = {"handle": handle, "secret_hash": secret_hash}
    values |= {"owner_id": owner_id, "role": role}
    values |= {"note": note, "created_us": now_us}
    values |= {} if expires_us is None else {"expires_us": expires_us}
    statement = sa.insert(keys).values(values).returning(keys.c.id)
    key_id = int(connection.execute(statement).scalar_one())
    bind(connection, key_id, devices)
    return key_id


def lasting_admins(connection: sa.Connection, owner_id: int) -> list[str]:
    """Handles of an owner's admin keys that are not revoked, have no end and wait for no person."""
    lasts = keys.c.revoked_us.is_(None), keys.c.expires_us.is_(None), keys.c.suspended_us.is_(None)
    query = sa.select(keys.c.handle).where(keys.c.owner_id == owner_id, keys.c.role == "admin", *lasts)
    return list(connection.scalars(query))


def set_replaced(connection: sa.Connection, key_id: int, successor: str, ends_us: int) -> None:
    """Note the successor of a key, and when the key ends."""
    statement = sa.update(keys).where(keys.c.id == key_id)
    connection.execute(statement.values(replaced_by=successor, expires_us=ends_us))


def issue_again(
    connection: sa.Connection, key_id: int, secret_hash: str, expires_us: int | None, now_us: int
) -> None:
    """Give a key that was never used a new secret; the previous one is no longer valid."""
    values = {"secret_hash": secret_hash, "expires_us": expires_us, "created_us": now_us}
    connection.execute(sa.update(keys).where(keys.c.id == key_id).values(values))


def bind(connection: sa.Connection, key_id: int, devices: Sequence[str]) -> None:
    """Let a key post for further devices."""
    if devices:
        statement = dialect.insert(connection, key_devices).on_conflict_do_nothing()
        connection.execute(statement, [{"key_id": key_id, "device": name} for name in devices])


def revoke(connection: sa.Connection, owner_id: int, handle: str, now_us: int) -> bool:
    """End a key for ever; False if this owner has none of that handle. A second time changes nothing."""
    condition = (keys.c.owner_id == owner_id) & (keys.c.handle == handle)
    if connection.scalar(sa.select(keys.c.id).where(condition)) is None:
        return False
    _end(connection, condition, now_us)
    return True


def _end(connection: sa.Connection, here: sa.ColumnElement[bool], now_us: int) -> None:
    statement = sa.update(keys).where(here, keys.c.revoked_us.is_(None)).values(revoked_us=now_us)
    ended = connection.scalars(statement.returning(keys.c.handle)).all()
    revocations.note(connection, ended, now_us)


def unbind(connection: sa.Connection, owner_id: int, devices: Sequence[str], now_us: int) -> list[str]:
    """Remove devices from all keys of an owner; a device key without any ends. Returns the ended handles."""
    touched = [k for k in list_of(connection, owner_id) if k.devices & set(devices)]
    for key in touched:
        conditions = key_devices.c.key_id == key.id, key_devices.c.device.in_(devices)
        connection.execute(sa.delete(key_devices).where(*conditions))
    ended = [k for k in touched if k.role == "device" and k.revoked_us is None and k.devices <= set(devices)]
    for key in ended:
        revoke_id(connection, key.id, now_us)
    return [key.handle for key in ended]


def revoke_id(connection: sa.Connection, key_id: int, now_us: int) -> None:
    """End a key for ever, by its number."""
    _end(connection, keys.c.id == key_id, now_us)


def every(connection: sa.Connection) -> list[Key]:
    """The keys of all owners, oldest first, without their devices."""
    return [Key(*row) for row in connection.execute(_KEY.order_by(keys.c.id))]


def valid(connection: sa.Connection, at_us: int) -> list[Key]:
    """The keys of all owners that are not revoked and whose end is after an instant, oldest first."""
    lasts = keys.c.revoked_us.is_(None), sa.or_(keys.c.expires_us.is_(None), keys.c.expires_us > at_us)
    rows = connection.execute(_KEY.where(*lasts).order_by(keys.c.id)).all()
    return [Key(*row)._replace(devices=_devices(connection, row.id)) for row in rows]


def suspend(connection: sa.Connection, key_id: int, now_us: int) -> None:
    """Suspend a key until a person confirms it."""
    connection.execute(sa.update(keys).where(keys.c.id == key_id).values(suspended_us=now_us))


def confirm(connection: sa.Connection, handle: str) -> Key | None:
    """Confirm a suspended key; None where there is no such key, or it is not suspended."""
    key = by_handle(connection, handle)
    if key is None or key.suspended_us is None or key.revoked_us is not None:
        return None
    connection.execute(sa.update(keys).where(keys.c.id == key.id).values(suspended_us=None))
    return key


def was_used(connection: sa.Connection, key_id: int) -> bool:
    """True if a use of the key was recorded."""
    query = sa.select(keys.c.id).where(keys.c.id == key_id, keys.c.last_used_us.is_not(None))
    return connection.scalar(query) is not None


def used(connection: sa.Connection, last_used_us: dict[int, int]) -> None:
    """Record the last use: key id -> instant."""
    statement = sa.update(keys).where(keys.c.id == sa.bindparam("key_id"))
    rows = [{"key_id": key_id, "used_us": used_us} for key_id, used_us in sorted(last_used_us.items())]
    connection.execute(statement.values(last_used_us=sa.bindparam("used_us")), rows)
