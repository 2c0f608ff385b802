"""
Sessions of people, and counted tries to sign in: in the database, so that all processes agree.

Leaves to others: how long a session lasts (`ingest.owners.sessions`), how long a try waits
(`ingest.owners.sign_in_pace`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import people, sessions, sign_in_tries


class Session(NamedTuple):
    """A row of `sessions`."""

    id: int
    person_id: int
    created_us: int
    seen_us: int
    expires_us: int
    ended_us: int | None
    address: str
    agent: str


_SESSION = sa.select(*(sessions.c[f] for f in Session._fields))


def create(
    connection: sa.Connection,
    person_id: int,
    token_hash: str,
    *,
    now_us: int,
    expires_us: int,
    address: str,
    agent: str,
) -> Session:
    """Keep a new session."""
    values = {"person_id": person_id, "token_hash": token_hash, "created_us": now_us, "seen_us": now_us}
    values |= {"expires_us": expires_us, "address": address, "agent": agent}
    statement = sa.insert(sessions).values(values).returning(*_SESSION.selected_columns)
    return Session(*connection.execute(statement).one())


def by_token(connection: sa.Connection, token_hash: str) -> Session | None:
    """A session by the hash of its token, in whatever state."""
    row = connection.execute(_SESSION.where(sessions.c.token_hash == token_hash)).first()
    return None if row is None else Session(*row)


def of_person(connection: sa.Connection, person_id: int, *, seen_since_us: int, now_us: int) -> list[Session]:
    """The sessions of a person that go on, newest first. seen_since_us : an idle one was seen before it."""
    lasts = sessions.c.ended_us.is_(None), sessions.c.expires_us > now_us, sessions.c.seen_us > seen_since_us
    query = _SESSION.where(sessions.c.person_id == person_id, *lasts).order_by(sessions.c.id.desc())
    return [Session(*row) for row in connection.execute(query)]


def began_at(connection: sa.Connection, person_id: int, address: str, since_us: int) -> bool:
    """True if the person signed in from this address since an instant."""
    here = sessions.c.person_id == person_id, sessions.c.address == address
    query = sa.select(sessions.c.id).where(*here, sessions.c.created_us >= since_us)
    return connection.execute(query.limit(1)).first() is not None


def end(connection: sa.Connection, person_id: int, session_id: int, now_us: int) -> bool:
    """End one session of a person; False where there is none of that number that goes on."""
    here = sessions.c.id == session_id, sessions.c.person_id == person_id, sessions.c.ended_us.is_(None)
    return bool(connection.execute(sa.update(sessions).where(*here).values(ended_us=now_us)).rowcount)


def end_all(connection: sa.Connection, person_id: int, now_us: int) -> None:
    """End all sessions of a person."""
    here = sessions.c.person_id == person_id, sessions.c.ended_us.is_(None)
    connection.execute(sa.update(sessions).where(*here).values(ended_us=now_us))


def end_everyones(connection: sa.Connection, now_us: int) -> None:
    """End the sessions of all people."""
    connection.execute(sa.update(sessions).where(sessions.c.ended_us.is_(None)).values(ended_us=now_us))


def forget(connection: sa.Connection, person_id: int, before_us: int) -> None:
    """Delete the sessions of a person that began before an instant: they are over."""
    here = sessions.c.person_id == person_id, sessions.c.created_us < before_us
    connection.execute(sa.delete(sessions).where(*here))


def seen(connection: sa.Connection, last_seen_us: Mapping[int, int]) -> None:
    """Record when sessions were last used: session -> instant."""
    for session_id, at_us in sorted(
        last_seen_us.items()
    ):  # in one order: processes must not wait in a circle
        # The person before the session, as where a person ends: else the two would wait for each other.
        of_session = sa.select(sessions.c.person_id).where(sessions.c.id == session_id)
        person = people.c.id == of_session.scalar_subquery()
        connection.execute(sa.update(people).where(person).values(seen_us=at_us))
        here = sessions.c.id == session_id, sessions.c.seen_us < at_us
        connection.execute(sa.update(sessions).where(*here).values(seen_us=at_us))


# ---------------------------------------------------------------- tries to sign in

#: scope and subject of what is counted
Place = tuple[str, str]


class Tries(NamedTuple):
    """How many tries there were, and when the last one was [us]."""

    tries: int
    last_us: int


def lock_tries(connection: sa.Connection, places: list[Place], now_us: int) -> dict[Place, Tries]:
    """The counts of these places, held until the transaction ends; made with 0 where there are none."""
    found: dict[Place, Tries] = {}
    for scope, subject in sorted(places):  # in one order: processes must not wait in a circle
        row = {"scope": scope, "subject": subject}
        fresh = dialect.insert(connection, sign_in_tries).values(row | {"tries": 0, "last_us": now_us})
        connection.execute(fresh.on_conflict_do_nothing())
        query = sa.select(sign_in_tries.c.tries, sign_in_tries.c.last_us).where(*_at(scope, subject))
        found[scope, subject] = Tries(*connection.execute(query.with_for_update()).one())
    return found


def put_tries(connection: sa.Connection, place: Place, counted: Tries) -> None:
    """Write a count that `lock_tries` gave."""
    connection.execute(sa.update(sign_in_tries).where(*_at(*place)).values(counted._asdict()))


def forget_tries(connection: sa.Connection, before_us: int) -> None:
    """Drop what was last tried before an instant."""
    connection.execute(sa.delete(sign_in_tries).where(sign_in_tries.c.last_us < before_us))


def count_places(connection: sa.Connection) -> int:
    """How many places are counted."""
    return connection.scalar(sa.select(sa.func.count()).select_from(sign_in_tries)) or 0


def _at(scope: str, subject: str) -> tuple[sa.ColumnElement[bool], sa.ColumnElement[bool]]:
    return sign_in_tries.c.scope == scope, sign_in_tries.c.subject == subject
