"""
Passkeys of people, and what an authenticator is asked to sign.

Leaves to others: whether a signature holds (`ingest.owners.passkeys`).
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store.models import passkey_challenges, passkeys

MOST_CHALLENGES = 10_000  # open at once, of people and of who signs in each; the oldest go; chosen


class Passkey(NamedTuple):
    """A row of `passkeys`."""

    id: int
    person_id: int
    credential: str
    public_key: bytes
    sign_count: int
    name: str
    created_us: int
    used_us: int | None


_PASSKEY = sa.select(*(passkeys.c[f] for f in Passkey._fields))


def create(
    connection: sa.Connection,
    *,
    person_id: int,
    credential: str,
    public_key: bytes,
    sign_count: int,
    name: str,
    now_us: int,
) -> Passkey:
    """Keep a new passkey."""
    values = {"person_id": person_id, "credential": credential, "public_key": public_key}
    values |= {"sign_count": sign_count, "name": name, "created_us": now_us}
    statement = sa.insert(passkeys).values(values).returning(*_PASSKEY.selected_columns)
    return Passkey(*connection.execute(statement).one())


def of_person(connection: sa.Connection, person_id: int) -> list[Passkey]:
    """The passkeys of a person, oldest first."""
    query = _PASSKEY.where(passkeys.c.person_id == person_id).order_by(passkeys.c.id)
    return [Passkey(*row) for row in connection.execute(query)]


def by_credential(connection: sa.Connection, credential: str) -> Passkey | None:
    """A passkey by the id of its credential."""
    row = connection.execute(_PASSKEY.where(passkeys.c.credential == credential)).first()
    return None if row is None else Passkey(*row)


def used(connection: sa.Connection, passkey_id: int, sign_count: int, now_us: int) -> None:
    """Record a use, and what the authenticator counts."""
    here = sa.update(passkeys).where(passkeys.c.id == passkey_id)
    connection.execute(here.values(sign_count=sign_count, used_us=now_us))


def remove(connection: sa.Connection, person_id: int, passkey_id: int) -> bool:
    """Remove one passkey of a person; False where there is none of that number."""
    here = passkeys.c.id == passkey_id, passkeys.c.person_id == person_id
    return bool(connection.execute(sa.delete(passkeys).where(*here)).rowcount)


def remove_all(connection: sa.Connection, person_id: int) -> None:
    """Remove the passkeys of a person, and the challenges that another could be made with."""
    connection.execute(sa.delete(passkeys).where(passkeys.c.person_id == person_id))
    _forget(connection, passkey_challenges.c.person_id == person_id)


# ---------------------------------------------------------------- challenges


def put_challenge(
    connection: sa.Connection, challenge_hash: str, person_id: int | None, *, now_us: int, expires_us: int
) -> None:
    """Keep a challenge; those that are out of date go, and the oldest of its kind beyond the bound."""
    _forget(connection, passkey_challenges.c.expires_us <= now_us)
    owned = passkey_challenges.c.person_id
    alike = owned.is_(None) if person_id is None else owned.is_not(None)
    newest = sa.select(passkey_challenges.c.expires_us).where(alike)
    newest = newest.order_by(passkey_challenges.c.expires_us.desc())
    oldest_kept = connection.scalar(newest.offset(MOST_CHALLENGES - 1).limit(1))
    if oldest_kept is not None:
        _forget(connection, sa.and_(alike, passkey_challenges.c.expires_us <= oldest_kept))
    values = {"challenge_hash": challenge_hash, "person_id": person_id, "expires_us": expires_us}
    connection.execute(sa.insert(passkey_challenges).values(values))


def _forget(connection: sa.Connection, here: sa.ColumnElement[bool]) -> None:
    connection.execute(sa.delete(passkey_challenges).where(here))


def take_challenge(
    connection: sa.Connection, challenge_hash: str, person_id: int | None, now_us: int
) -> bool:
    """Use a challenge up; False where it was not open for this person (None: for who signs in)."""
    here = (
        passkey_challenges.c.challenge_hash == challenge_hash,
        passkey_challenges.c.person_id.is_not_distinct_from(person_id),
        passkey_challenges.c.expires_us > now_us,
    )
    return bool(connection.execute(sa.delete(passkey_challenges).where(*here)).rowcount)
