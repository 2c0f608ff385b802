"""
People and the links that invite them. A password and a token are kept as hashes only.

Promises: `revoked_us` is written in one place, which says so to `ingest.store.revocations`.
Leaves to others: who may do what to whom (`ingest.owners.people`), sessions (`ingest.store.sessions`).
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import revocations
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.models import invitations, owners, people, person_sites

INVITED, VALID, SUSPENDED, REVOKED = "invited", "valid", "suspended", "revoked"


class Person(NamedTuple):
    """A row of `people` with the name of its owner and the sites."""

    id: int
    owner_id: int
    owner: str
    name: str
    handle: str
    display_name: str | None
    role: str
    language: str | None
    password_hash: str | None
    created_us: int
    who: str
    seen_us: int | None
    suspended_us: int | None
    revoked_us: int | None
    #: names; empty: all
    sites: frozenset[str] = frozenset()

    @property
    def state(self) -> str:
        """INVITED, VALID, SUSPENDED or REVOKED."""
        if self.revoked_us is not None:
            return REVOKED
        if self.suspended_us is not None:
            return SUSPENDED
        return VALID if self.password_hash is not None else INVITED

    def as_key(self) -> Key:
        """Who asks, as routes and pages take it."""
        shared = {name: getattr(self, name) for name in Person._fields if name in Key._fields}
        of_keys = {"secret_hash": "", "last_used_us": None, "expires_us": None, "replaced_by": None}
        named = {"id": -self.id, "handle": self.name, "note": self.display_name or ""}
        return Key(**{**shared, **of_keys, **named, "is_needed": False})


_COLUMNS = Person._fields[: Person._fields.index("sites")]
_PERSON: sa.Select[Any] = sa.select(
    *(owners.c.name.label("owner") if f == "owner" else people.c[f] for f in _COLUMNS)
).join_from(people, owners)


def _read(connection: sa.Connection, query: sa.Select[Any]) -> list[Person]:
    rows = connection.execute(query).all()
    chosen = sa.select(person_sites).where(person_sites.c.person_id.in_([row.id for row in rows]))
    sites: dict[int, set[str]] = {}
    for person_id, site in connection.execute(chosen):  # for none too: time must not tell who exists
        sites.setdefault(person_id, set()).add(site)
    return [Person(*row)._replace(sites=frozenset(sites.get(row.id, ()))) for row in rows]


def _one(connection: sa.Connection, query: sa.Select[Any]) -> Person | None:
    found = _read(connection, query)
    return found[0] if found else None


def by_id(connection: sa.Connection, person_id: int) -> Person | None:
    """A person by number, in whatever state."""
    return _one(connection, _PERSON.where(people.c.id == person_id))


def with_handle(connection: sa.Connection, handle: str) -> Person | None:
    """A person by handle, in whatever state."""
    return _one(connection, _PERSON.where(people.c.handle == handle))


def find(connection: sa.Connection, owner_id: int, name: str) -> Person | None:
    """A person of this owner by name, in whatever state."""
    return _one(connection, _PERSON.where(people.c.owner_id == owner_id, people.c.name == name))


def named(connection: sa.Connection, name: str, owner: str | None) -> list[Person]:
    """People of this name: of the owner of that name, or of every owner."""
    query = _PERSON.where(people.c.name == name).order_by(people.c.id).limit(2)
    return _read(connection, query if owner is None else query.where(owners.c.name == owner))


def list_of(
    connection: sa.Connection, owner_id: int, *, after: str | None = None, limit: int | None = None
) -> list[Person]:
    """People of an owner by name, revoked ones too: all, or at most `limit` after a name."""
    query = _PERSON.where(people.c.owner_id == owner_id).order_by(people.c.name).limit(limit)
    return _read(connection, query if after is None else query.where(people.c.name > after))


def display_names(connection: sa.Connection, owner_id: int) -> dict[str, str | None]:
    """Name -> display name of the people of an owner, revoked ones too."""
    query = sa.select(people.c.name, people.c.display_name).where(people.c.owner_id == owner_id)
    return {row.name: row.display_name for row in connection.execute(query)}


def every(connection: sa.Connection) -> list[Person]:
    """The people of all owners."""
    return _read(connection, _PERSON.order_by(people.c.id))


def has_admin(connection: sa.Connection, owner_id: int) -> bool:
    """True if the owner has an admin for all sites with a password; perhaps one who waits since a restore."""
    return connection.execute(_admins(owner_id).limit(1)).first() is not None


def other_admins(connection: sa.Connection, owner_id: int, besides: int) -> bool:
    """True if the owner has a person who may sign in as admin for all sites, besides this one."""
    query = _admins(owner_id).where(people.c.id != besides, people.c.suspended_us.is_(None))
    return connection.execute(query.limit(1)).first() is not None


def _admins(owner_id: int) -> sa.Select[Any]:
    limited = sa.exists().where(person_sites.c.person_id == people.c.id)
    return sa.select(people.c.id).where(
        people.c.owner_id == owner_id,
        people.c.role == "admin",
        people.c.password_hash.is_not(None),
        people.c.revoked_us.is_(None),
        ~limited,
    )


def create(connection: sa.Connection, *, sites: Collection[str], **values: Any) -> Person:
    """Keep a new person. values : owner_id, name, handle, display_name, role, created_us, who."""
    person_id = connection.execute(sa.insert(people).values(values).returning(people.c.id)).scalar_one()
    put_sites(connection, person_id, sites)
    made = by_id(connection, person_id)
    assert made is not None
    return made


def edit(connection: sa.Connection, person_id: int, **values: Any) -> None:
    """Write columns of a person: role, display_name, language, password_hash, suspended_us."""
    connection.execute(sa.update(people).where(people.c.id == person_id).values(**values))


def put_sites(connection: sa.Connection, person_id: int, sites: Collection[str]) -> None:
    """The sites that a person sees from now on; none: all."""
    connection.execute(sa.delete(person_sites).where(person_sites.c.person_id == person_id))
    if sites:
        rows = [{"person_id": person_id, "site": site} for site in sorted(sites)]
        connection.execute(sa.insert(person_sites), rows)


def revoke(connection: sa.Connection, person: Person, now_us: int) -> None:
    """Let a person never sign in again."""
    here = sa.update(people).where(people.c.id == person.id, people.c.revoked_us.is_(None))
    connection.execute(here.values(revoked_us=now_us, password_hash=None))
    revocations.note(connection, [person.handle], now_us)


def seen(connection: sa.Connection, person_id: int, now_us: int) -> None:
    """Record that a person signed in."""
    connection.execute(sa.update(people).where(people.c.id == person_id).values(seen_us=now_us))


# ---------------------------------------------------------------- invitations


class Invitation(NamedTuple):
    """A row of `invitations`."""

    id: int
    owner_id: int
    person_id: int | None
    created_us: int
    expires_us: int
    used_us: int | None
    cancelled_us: int | None

    def is_open(self, now_us: int) -> bool:
        """True if it may be used now."""
        return self.used_us is None and self.cancelled_us is None and now_us < self.expires_us


_INVITATION = sa.select(*(invitations.c[f] for f in Invitation._fields))
#: neither used nor cancelled; it may be out of date
_OPEN = invitations.c.used_us.is_(None), invitations.c.cancelled_us.is_(None)


def put_invitation(
    connection: sa.Connection,
    owner_id: int,
    person_id: int | None,
    token_hash: str,
    *,
    now_us: int,
    expires_us: int,
) -> None:
    """Keep a new invitation; those before it for the same person are worth nothing any more."""
    cancel_invitations(connection, person_id, now_us)
    values = {"owner_id": owner_id, "person_id": person_id, "token_hash": token_hash}
    values |= {"created_us": now_us, "expires_us": expires_us}
    connection.execute(sa.insert(invitations).values(values))


def cancel_invitations(connection: sa.Connection, person_id: int | None, now_us: int) -> None:
    """End the open invitations of a person; None: those that make the first account."""
    here = sa.update(invitations).where(invitations.c.person_id.is_not_distinct_from(person_id), *_OPEN)
    connection.execute(here.values(cancelled_us=now_us))


def invitation(connection: sa.Connection, token_hash: str, *, lock: bool = False) -> Invitation | None:
    """An invitation, in whatever state. lock : keep its row locked until the transaction ends."""
    query = _INVITATION.where(invitations.c.token_hash == token_hash)
    row = connection.execute(query.with_for_update() if lock else query).first()
    return None if row is None else Invitation(*row)


def invitation_ends(connection: sa.Connection, person_ids: Collection[int]) -> dict[int, int]:
    """Person -> until when the open invitation may be used [us]."""
    query = sa.select(invitations.c.person_id, invitations.c.expires_us)
    query = query.where(invitations.c.person_id.in_(person_ids), *_OPEN)
    return {row.person_id: row.expires_us for row in connection.execute(query)}


def use_invitation(connection: sa.Connection, invitation_id: int, now_us: int) -> None:
    """Note that an invitation was used."""
    here = sa.update(invitations).where(invitations.c.id == invitation_id)
    connection.execute(here.values(used_us=now_us))


def end_invitations(connection: sa.Connection, now_us: int) -> None:
    """End every open invitation, of all owners."""
    connection.execute(sa.update(invitations).where(*_OPEN).values(cancelled_us=now_us))
