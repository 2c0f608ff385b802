"""
Identities of people at an OpenID provider, and tries to sign in there that are not over yet.

Promises: an identity is one person's; a try is taken once.
Leaves to others: whether an answer of the provider holds (`ingest.owners.oidc`).
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import oidc_tries, person_identities

MOST_TRIES = 10_000  # open at once; the oldest go; chosen


class KeptTry(NamedTuple):
    """A row of `oidc_tries`."""

    state_hash: str
    #: of what the browser keeps
    browser_hash: str
    nonce: str
    verifier: str
    #: where to go then
    next: str
    expires_us: int


def person_of(connection: sa.Connection, issuer: str, subject: str) -> int | None:
    """The person whose identity it is; None: it is bound to no person."""
    row = person_identities.c
    query = sa.select(row.person_id).where(row.issuer == issuer, row.subject == subject)
    return connection.scalar(query)


def put(connection: sa.Connection, person_id: int, issuer: str, subject: str, now_us: int) -> bool:
    """Bind an identity to a person. False: it is somebody's already."""
    values = {"person_id": person_id, "issuer": issuer, "subject": subject, "created_us": now_us}
    statement = dialect.insert(connection, person_identities).values(values).on_conflict_do_nothing()
    return connection.execute(statement.returning(person_identities.c.id)).first() is not None


def remove_all(connection: sa.Connection, person_id: int) -> None:
    """This person signs in at no provider any more."""
    connection.execute(sa.delete(person_identities).where(person_identities.c.person_id == person_id))


def put_try(connection: sa.Connection, kept: KeptTry, now_us: int) -> None:
    """Keep a try until it is taken or over; those that are over go."""
    row = oidc_tries.c
    connection.execute(sa.delete(oidc_tries).where(row.expires_us <= now_us))
    newest = sa.select(row.id).order_by(row.id.desc()).offset(MOST_TRIES - 1).limit(1).scalar_subquery()
    connection.execute(sa.delete(oidc_tries).where(row.id <= newest))
    connection.execute(sa.insert(oidc_tries).values(**kept._asdict()))


def take_try(connection: sa.Connection, state_hash: str, now_us: int) -> KeptTry | None:
    """A try by its state, once; None: it is unknown, taken, or over."""
    columns = (oidc_tries.c[name] for name in KeptTry._fields)
    taken = sa.delete(oidc_tries).where(oidc_tries.c.state_hash == state_hash).returning(*columns)
    row = connection.execute(taken).first()
    return KeptTry(*row) if row is not None and row.expires_us > now_us else None
