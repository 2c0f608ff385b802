"""
Sessions: who is signed in, for how long, and how it ends.

A token of 256 random bits lies in the browser's cookie, its SHA-256 in the database. Each sign-in makes a new
one, so a token that somebody planted before is worth nothing after. A session ends by signing out, by anyone
who may end it, by a new password, with the person, after `IDLE_US` without a request, and after `LASTS_US` in
any case: NIST SP 800-63B-4 section 2.1.3 has 30 days at the most for one factor (from memory).

Promises: looked up with each request and remembered nowhere, so an ended session is refused by every process
at once.
Leaves to others: the cookie and requests from other sites (`ingest.api.routes.signed_in`).
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.errors import NotFound
from cleanside.ingest.owners.access import hash_of
from cleanside.ingest.owners.quotas import address_of
from cleanside.ingest.store import audit, papers, people, sessions
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import Person
from cleanside.ingest.store.sessions import Session

DAY_US = 24 * 3_600_000_000
IDLE_US = 7 * DAY_US  # a technician is back in the shop within a week; chosen
LASTS_US = 30 * DAY_US
SEEN_STEP_US = 60_000_000  # use is recorded to the minute, so that reading costs no write
MOST_AGENT = 200  # characters


class SignedIn(NamedTuple):
    """Who a session belongs to, as routes and pages take it."""

    session: Session
    key: Key


class NewSession(NamedTuple):
    """A fresh session; its token is shown to the browser alone."""

    token: str
    session: Session
    person: Person


def new_token(random_hex: Callable[[int], str] = secrets.token_hex) -> str:
    """A fresh token: 256 random bits."""
    return random_hex(32)


def begin(
    connection: sa.Connection,
    person: Person,
    *,
    token: str,
    replaces: str | None,
    host: str | None,
    agent: str,
    now_us: int,
) -> NewSession:
    """
    Sign a person in.

    replaces : the token that the browser had before; it ends where it is this person's. agent : what the
    browser calls itself.
    """
    sessions.forget(connection, person.id, now_us - LASTS_US)
    before = None if replaces is None else sessions.by_token(connection, hash_of(replaces))
    if before is not None and before.person_id == person.id:
        sessions.end(connection, person.id, before.id, now_us)
    address = address_of(host)
    session = sessions.create(
        connection,
        person.id,
        hash_of(token),
        now_us=now_us,
        expires_us=now_us + LASTS_US,
        address=address,
        agent=_shown(agent),
    )
    people.seen(connection, person.id, now_us)
    audit.note(connection, person.owner_id, now_us, person.name, "signed_in", address=address)
    return NewSession(token, session, person)


def _shown(agent: str) -> str:
    return "".join(c if c.isprintable() else " " for c in agent)[:MOST_AGENT]


def find(connection: sa.Connection, token: str | None, now_us: int) -> SignedIn | None:
    """Whose session a cookie is; None: it is over, or never was one."""
    session = None if not token else sessions.by_token(connection, hash_of(token))
    if session is None or not goes_on(session, now_us):
        return None
    person = people.by_id(connection, session.person_id)
    if person is None or person.state != people.VALID:
        return None
    key = person.as_key()
    if key.sites:
        key = key._replace(devices=papers.devices_of_sites(connection, key.owner_id, key.sites))
    return SignedIn(session, key)


def goes_on(session: Session, now_us: int) -> bool:
    """True while a session lasts. Pure."""
    return session.ended_us is None and now_us < min(session.expires_us, session.seen_us + IDLE_US)


def of_person(connection: sa.Connection, key: Key, now_us: int) -> list[Session]:
    """The sessions of the person who asks, newest first."""
    return sessions.of_person(connection, -key.id, seen_since_us=now_us - IDLE_US, now_us=now_us)


def end(connection: sa.Connection, key: Key, session_id: int, now_us: int) -> None:
    """End one of one's own sessions. Raises NotFound."""
    if not sessions.end(connection, -key.id, session_id, now_us):
        raise NotFound("session", str(session_id))
    audit.note(connection, key.owner_id, now_us, key.handle, "signed_out", session=session_id)


def end_every_one(connection: sa.Connection, key: Key, now_us: int) -> int:
    """End all of one's own sessions. Returns how many they were."""
    ended = len(of_person(connection, key, now_us))
    sessions.end_all(connection, -key.id, now_us)
    audit.note(connection, key.owner_id, now_us, key.handle, "signed_out_everywhere", sessions=ended)
    return ended


class Uses:
    """When sessions were last used, until it is written down."""

    def __init__(self) -> None:
        self._used: dict[int, int] = {}
        self._lock = threading.Lock()

    def note(self, session: Session, now_us: int) -> None:
        """Remember a use, to the minute."""
        if now_us - max(self._used.get(session.id, 0), session.seen_us) >= SEEN_STEP_US:
            with self._lock:
                self._used[session.id] = now_us

    def take(self) -> dict[int, int]:
        """Session -> last use, since the last time this was asked."""
        with self._lock:
            used, self._used = self._used, {}
        return used
