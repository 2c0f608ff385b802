"""
Who may do what: keys of programs and people who are signed in, roles, owners.

Promises: denied unless a row of `PERMISSIONS` allows it. A key is handle.secret: the handle finds the row,
the secret is compared in constant time. Only its SHA-256 is stored: 256 random bits cannot be guessed, so a
slow password hash would cost each request time and gain nothing.
Leaves to others: owner of each object (every query of `ingest.store` asks for it).
"""

from __future__ import annotations

import hashlib
import hmac
import math
import secrets
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import Refused
from cleanside.ingest.store import keys
from cleanside.ingest.store.keys import Key

#: of keys
ROLES = ("device", "integrator", "planner", "operator", "admin")
#: of people
PEOPLE_ROLES = ("viewer", "technician", "planner", "operator", "admin")

_VISITING = frozenset({"technician"})
_WATCHING = _VISITING | {"viewer"}

#: What each permission needs, of keys and of people; nothing else is allowed.
PERMISSIONS: Mapping[str, frozenset[str]] = {
    "readings:post": frozenset({"device", "integrator"}),
    "quantities:read": frozenset({"device", "integrator", "planner", "operator", "admin"}) | _WATCHING,
    "bundles:import": frozenset({"operator", "admin"}),
    "readings:read": frozenset({"integrator", "planner", "operator", "admin"}) | _WATCHING,
    "streams:read": frozenset({"device", "integrator", "planner", "operator", "admin"}) | _WATCHING,
    "history:write": frozenset({"admin"}),
    "streams:write": frozenset({"operator", "admin"}),
    "fleet:read": frozenset({"integrator", "planner", "operator", "admin"}) | _WATCHING,
    "acceptance:read": frozenset({"device", "integrator", "planner", "operator", "admin"}) | _WATCHING,
    "fleet:write": frozenset({"integrator", "operator", "admin"}),
    "seats:write": frozenset({"integrator", "operator", "admin"}),
    # At the machine, from now on: whoever fits a new monitor takes the old one off.
    "seats:end": frozenset({"integrator", "operator", "admin"}) | _VISITING,
    "terminals:write": frozenset({"integrator", "planner", "operator", "admin"}) | _VISITING,
    "changes:write": frozenset({"planner", "operator", "admin"}) | _VISITING,
    "entries:read": frozenset({"planner", "operator", "admin"}) | _VISITING,
    "entries:write": frozenset({"planner", "operator", "admin"}) | _VISITING,
    "prices:write": frozenset({"planner", "operator", "admin"}),
    "shop:read": frozenset({"planner", "operator", "admin"}) | _WATCHING,
    "shop:write": frozenset({"planner", "operator", "admin"}),
    "attention:read": frozenset({"planner", "operator", "admin"}),
    "account:read": frozenset({"planner", "operator", "admin"}),
    "quarantine:read": frozenset({"device", "integrator", "planner", "operator", "admin"}),
    "amendments:read": frozenset({"operator", "admin"}),
    "quarantine:write": frozenset({"operator", "admin"}),
    "keys:manage": frozenset({"admin"}),
    "keys:rotate": frozenset({"device", "admin"}),
    "people:manage": frozenset({"admin"}),
    "me:manage": frozenset(PEOPLE_ROLES),
    "enrolments:write": frozenset({"integrator", "operator", "admin"}) | _VISITING,
    "transfers:manage": frozenset({"admin"}),
    "audit:read": frozenset({"admin"}),
    "metrics:read": frozenset({"operator", "admin"}),
    "webhooks:manage": frozenset({"admin"}),
    "webhooks:replay": frozenset({"operator", "admin"}),
    "messages:manage": frozenset({"admin"}),
}
#: what belongs to whoever is signed in: no key has it
OF_PEOPLE_ALONE = frozenset({"me:manage"})
#: what reaches beyond any site, or hands out what does: keys see all sites, and so do webhooks. A monitor
#: may go from site to site with what it measured, so who decides about its history and quarantine sees all.
#: Who is for some sites enrols and moves monitors within them (`ingest.owners.reach`), and sees what those
#: measured that never sat elsewhere.
OF_ALL_SITES = frozenset(
    {
        *("keys:manage", "keys:rotate", "webhooks:manage", "webhooks:replay", "transfers:manage"),
        *("audit:read", "metrics:read", "messages:manage"),
        *("fleet:write", "streams:write", "history:write", "bundles:import"),
        *("quarantine:write", "amendments:read"),
    }
)
#: Roles that see and post for the devices their key is bound to, and no others.
BOUND_ROLES = frozenset({"device", "integrator"})

REMEMBERED_S = 2.0  # a key revoked by another process is refused after this at the latest; chosen
READ_AGAIN_S = 0.5  # and so often those that end within half of it; chosen: time enough to read them
MAX_REMEMBERED = 10_000
IN_USE_S = 30.0  # shown by a request since then: read again with others; chosen
MOST_READ_AGAIN = 1_000  # at once; some 10 ms; chosen
LONGEST_TURN_S = 0.5  # for a thread that reads them; then a request reads its own key. Chosen
USED_STEP_US = 60_000_000  # last use is recorded to the minute, so that reading costs no write

_CHALLENGE = {"WWW-Authenticate": "Bearer"}


class KeyRejected(Refused):
    """A request without a valid key (401). key : the ended key that it showed; None: no key of ours."""

    def __init__(
        self, case: str, /, *, code: str, reason: str, key: Key | None = None, **values: Any
    ) -> None:
        """reason : its name in the count of refusals; more exact than the answer."""
        super().__init__(case, status=401, code=code, headers=_CHALLENGE, **values)
        self.reason = reason
        self.key = key


def _no_key(reason: str = "key_unknown", key: Key | None = None) -> KeyRejected:
    return KeyRejected("key_unknown", code="key_unknown", reason=reason, key=key)


@dataclass(frozen=True, slots=True)
class NewKey:
    """A new token, shown once, and the parts that are stored."""

    token: str
    handle: str
    secret_hash: str


def new_key(random_hex: Callable[[int], str] = secrets.token_hex) -> NewKey:
    """Make a token: 4 bytes of handle, 32 bytes of secret."""
    handle, secret = f"k{random_hex(4)}", random_hex(32)
    return NewKey(f"{handle}.{secret}", handle, hash_of(secret))


def token_of(handle: str, new: NewKey) -> str:
    """A token of this handle with the secret of a new key."""
    return f"{handle}.{new.token.partition('.')[2]}"


def hash_of(secret: str) -> str:
    """The stored hash of a secret."""
    return hashlib.sha256(secret.encode()).hexdigest()


#: opens a connection that sees one state
Reading = Callable[[], AbstractContextManager[sa.Connection]]


@dataclass(slots=True)
class _Remembered:
    key: Key
    #: until then it is used without a query [s of the monotonic clock]
    until_s: float
    #: when a request showed it last
    shown_s: float


class Keyring:
    """
    Finds the key of a request; remembers it for a moment, so that a busy gateway costs no query.

    Those in use are read again together, before their moment is over: the keys of a fleet cost two queries
    each moment, and not two for each request, and none of them waits (`is_due`, `read_again`). Where that
    is not done in time, the request that shows one reads them.
    """

    def __init__(self, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._monotonic_s = monotonic_s
        self._remembered: dict[str, _Remembered] = {}
        self._used: dict[int, int] = {}
        self._forgotten = 0  # how often
        self._lock = threading.Lock()
        self._reading_again = threading.Lock()
        self._due_s = -math.inf

    def remembered(self, header: str | None, now_us: int) -> Key | None:
        """The key of an Authorization header if it was checked a moment ago. Raises KeyRejected."""
        handle, secret = _parts(header)
        entry, now_s = self._remembered.get(handle), self._monotonic_s()
        if entry is None:
            return None
        entry.shown_s = now_s
        return None if entry.until_s < now_s else _checked(entry.key, secret, now_us)

    def is_due(self) -> bool:
        """True for one request each `READ_AGAIN_S`: `read_again` is to be called beside it."""
        if (now_s := self._monotonic_s()) < self._due_s:
            return False
        self._due_s = now_s + READ_AGAIN_S
        return True

    def read_again(self, reading: Reading, now_us: int) -> None:
        """Read the keys in use whose moment is over soon. What raises leaves them as they are."""
        if not self._reading_again.acquire(blocking=False):
            return
        try:
            forgotten = self._forgotten
            if handles := self._in_use(()):
                with reading() as connection:
                    found = {key.handle: key for key in keys.by_handles(connection, handles)}
                self._remember(handles, found, now_us, forgotten)
        finally:
            self._reading_again.release()

    def was_valid(self, header: str | None) -> bool:
        """True if a key of this handle was found lately, valid or not by now. Raises KeyRejected."""
        return _parts(header)[0] in self._remembered

    def find(self, reading: Reading, header: str | None, now_us: int) -> Key:
        """The key of an Authorization header. reading : opens a connection. Raises Refused."""
        [found] = self.find_all(reading, [header], now_us)
        if isinstance(found, Refused):
            raise found
        return found

    def find_all(self, reading: Reading, headers: Sequence[str | None], now_us: int) -> list[Key | Refused]:
        """The keys of several headers, read together; why one is refused stands in its place."""
        shown = [_parts(header) for header in headers]
        handles = {handle for handle, _ in shown}
        if handles.isdisjoint(self._remembered) or not self._reading_again.acquire(timeout=LONGEST_TURN_S):
            return self._read(reading, [], shown, now_us)
        try:  # another thread may have read them meanwhile
            found = [self._remembered_or_not(header, now_us) for header in headers]
            return _all_found(found) or self._read(reading, self._in_use(handles), shown, now_us)
        finally:
            self._reading_again.release()

    def _remembered_or_not(self, header: str | None, now_us: int) -> Key | Refused | None:
        try:
            return self.remembered(header, now_us)
        except Refused as refused:
            return refused

    def _in_use(self, besides: Collection[str]) -> list[str]:
        """The handles of keys that requests show, and whose moment is over or soon will be."""
        now_s = self._monotonic_s()
        with self._lock:
            entries = [(entry.until_s, entry.shown_s, handle) for handle, entry in self._remembered.items()]
        return [
            handle
            for until_s, shown_s, handle in sorted(entries)
            if until_s < now_s + REMEMBERED_S / 2 and shown_s > now_s - IN_USE_S and handle not in besides
        ][:MOST_READ_AGAIN]

    def _read(
        self, reading: Reading, others: list[str], shown: Sequence[tuple[str, str]], now_us: int
    ) -> list[Key | Refused]:
        """Read keys, and others that are remembered. shown : handle and secret."""
        forgotten, handles = self._forgotten, sorted({handle for handle, _ in shown})
        with reading() as connection:
            found = {key.handle: key for key in keys.by_handles(connection, [*handles, *others])}
        self._remember(others, found, now_us, forgotten)
        return [self._judged(found.get(one[0]), *one, now_us, forgotten) for one in shown]

    def _judged(
        self, key: Key | None, handle: str, secret: str, now_us: int, forgotten: int
    ) -> Key | Refused:
        """A key that was read for a request that shows this, and is remembered; or why it is refused."""
        try:
            shown = _checked(key, secret, now_us)
        except Refused as refused:
            # It has ended; a wrong secret proves nothing about the key.
            if isinstance(refused, KeyRejected) and refused.key is not None:
                with self._lock:
                    self._remembered.pop(handle, None)
            return refused
        with self._lock:
            if len(self._remembered) >= MAX_REMEMBERED:
                self._remembered.clear()
            self._remembered[handle] = _Remembered(shown, self._until_s(forgotten), self._monotonic_s())
        return shown

    def _remember(
        self, handles: Sequence[str], found: Mapping[str, Key], now_us: int, forgotten: int
    ) -> None:
        """Keep what was found of keys that are remembered, and forget those that have ended."""
        with self._lock:
            until_s = self._until_s(forgotten)
            for handle in handles:
                key = found.get(handle)
                entry = self._remembered.get(handle)
                if key is None or key.state(now_us) != keys.VALID:
                    self._remembered.pop(handle, None)  # its next request hears why
                elif entry is not None:
                    entry.key, entry.until_s = key, until_s

    def _until_s(self, forgotten: int) -> float:
        """Until when a key that is being read is remembered; over already where all were forgotten since."""
        return self._monotonic_s() + REMEMBERED_S if forgotten == self._forgotten else -math.inf

    def forget(self) -> None:
        """
        Read every key again: one was revoked or its devices changed.

        Known handles stay known, so that guesses from the same address do not lock their gateways out.
        """
        with self._lock:
            self._forgotten += 1
            for entry in self._remembered.values():
                entry.until_s = -math.inf

    def note_use(self, key: Key, now_us: int) -> None:
        """Remember the last use of a key, to be recorded later."""
        if now_us - max(self._used.get(key.id, 0), key.last_used_us or 0) >= USED_STEP_US:
            self._used[key.id] = now_us

    def take_uses(self) -> dict[int, int]:
        """Key id -> last use since the last call."""
        used, self._used = self._used, {}
        return used


def _all_found(found: Sequence[Key | Refused | None]) -> list[Key | Refused] | None:
    """All of them; None where one is missing."""
    there = [one for one in found if one is not None]
    return there if len(there) == len(found) else None


def _parts(header: str | None) -> tuple[str, str]:
    scheme, _, token = (header or "").partition(" ")
    handle, _, secret = token.strip().partition(".")
    if scheme.casefold() != "bearer" or not handle or not secret:
        raise _no_key("key_missing")
    return handle, secret


def _checked(key: Key | None, secret: str, now_us: int) -> Key:
    # An unknown handle is compared too, so that the time taken does not show whether it exists.
    expected = key.secret_hash if key is not None else hash_of("")
    fits = hmac.compare_digest(expected, hash_of(secret))
    if key is None or not fits:
        raise _no_key()
    state = key.state(now_us)
    if state == keys.REVOKED:
        raise _no_key("key_revoked", key)
    if state == keys.EXPIRED:
        raise _expired(key)
    if state == keys.SUSPENDED:
        raise Refused("key_suspended", status=403)
    return key


def _expired(key: Key) -> KeyRejected:
    code, handle = "key_expired", key.handle
    if key.replaced_by is not None:
        successor = key.replaced_by
        return KeyRejected(
            "key_replaced", code=code, reason=code, key=key, handle=handle, successor=successor
        )
    at = instant_text(key.expires_us or 0)
    return KeyRejected("key_expired", code=code, reason=code, key=key, handle=handle, at=at)


def require(key: Key, permission: str) -> None:
    """Raise Refused (403) unless the role of the key or person has the permission."""
    if allows(key, permission):
        return
    if key.sites and permission in OF_ALL_SITES and key.role in PERMISSIONS[permission]:
        raise Refused("beyond_sites", status=403, code="site_not_yours")
    who, allowed = ("person", people_with(permission)) if key.is_person else ("key", keys_with(permission))
    needed = " or ".join(allowed)
    case = f"role_of_{who}_not_allowed" if allowed else f"not_for_a_{who}"
    raise Refused(case, status=403, code="role_not_allowed", role=key.role, needed=needed)


def allows(key: Key, permission: str) -> bool:
    """True if a key or person has the permission. Raises KeyError for one without a row."""
    closed = OF_ALL_SITES if key.sites else frozenset() if key.is_person else OF_PEOPLE_ALONE
    return key.role in PERMISSIONS[permission] and permission not in closed


def keys_with(permission: str) -> tuple[str, ...]:
    """The roles of keys that have a permission."""
    alone = permission in OF_PEOPLE_ALONE
    return tuple(role for role in ROLES if role in PERMISSIONS[permission] and not alone)


def people_with(permission: str) -> tuple[str, ...]:
    """The roles of people that have a permission."""
    return tuple(role for role in PEOPLE_ROLES if role in PERMISSIONS[permission])


def sees_site(key: Key, site: str | None) -> bool:
    """True if a key or person sees what is at this site; None: at none, which is for who sees all."""
    return not key.sites or site in key.sites


def sees_device(key: Key, device: str) -> bool:
    """True if the role of a key, or the sites of a person, let it see this device of its owner."""
    seen = devices_seen(key)
    return seen is None or device in seen


def devices_seen(key: Key) -> frozenset[str] | None:
    """The devices of its owner that a key or person sees; None: all."""
    return key.devices if key.sites or key.role in BOUND_ROLES else None


def require_device(key: Key, device: str) -> None:
    """Raise Refused (403) unless the key may post for this device."""
    if not sees_device(key, device):
        raise Refused("key_not_for_device", status=403, device=device)
