"""
Messages to people: the outbox of what is sent to each.

Promises: a message is written in the transaction of its cause. A person has one message of a name (a unique
key holds it). Messages to a person go in order; none of one person waits for another person's.
Leaves to others: which messages there are (`ingest.messages.telling`), sending (`ingest.messages.mailer`).
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.message_failures import MessageFailure
from cleanside.ingest.store.models import matters, messages

#: also kinds of messages, beside those of matters
DIGEST, TEST, ADDRESS = "digest", "test", "address"
WAITING, SENT, GIVEN_UP = "waiting", "sent", "given_up"
MESSAGE_STATES = (WAITING, SENT, GIVEN_UP)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewMessage:
    """A message before it has a row."""

    owner_id: int
    person_id: int
    name: str
    kind: str
    about: Mapping[str, Any]
    language: str
    zone: str
    written_us: int
    #: not before
    next_us: int
    matter_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A row of `messages`."""

    id: int
    owner_id: int
    person_id: int
    name: str
    kind: str
    matter_id: int | None
    about: Mapping[str, Any]
    language: str
    zone: str
    written_us: int
    state: str
    tries: int
    first_tried_us: int | None
    next_us: int
    settled_us: int | None
    #: why the last try failed, as a sentence; None: it did not
    reason: str | None
    #: the same as JSON of code and values; None: it did not, or a release without codes wrote the sentence
    failure: str | None

    @property
    def why(self) -> MessageFailure | None:
        """Why the last try failed; None: it did not, or a release without codes wrote the sentence."""
        return MessageFailure.read(self.reason, self.failure)


def unwritten(new: NewMessage) -> Message:
    """A message as it is before its first try, for who sends it past the outbox."""
    values: dict[str, Any] = {name: getattr(new, name) for name in NewMessage.__slots__}
    untried: dict[str, Any] = {
        "id": 0,
        "state": WAITING,
        "tries": 0,
        "first_tried_us": None,
        "settled_us": None,
    }
    return Message(**values, **untried, reason=None, failure=None)


_FIELDS = tuple(Message.__slots__)
_MESSAGE = sa.select(*(messages.c[name] for name in _FIELDS))


def _read(row: sa.Row[Any]) -> Message:
    values = dict(zip(_FIELDS, row, strict=True))
    return Message(**values | {"about": json.loads(values["about"])})


def put(connection: sa.Connection, found: Collection[NewMessage]) -> None:
    """Write messages that wait to be sent; one whose person has it already stays as it is."""
    for message in found:
        values = {name: getattr(message, name) for name in NewMessage.__slots__}
        values |= {"about": json.dumps(message.about), "state": WAITING}
        connection.execute(dialect.insert(connection, messages).values(values).on_conflict_do_nothing())


def people_waiting(connection: sa.Connection, now_us: int) -> list[int]:
    """People whose oldest waiting message is due, the longest due first."""
    oldest = sa.select(sa.func.min(messages.c.id)).where(messages.c.state == WAITING)
    oldest = oldest.group_by(messages.c.person_id)
    query = sa.select(messages.c.person_id).where(messages.c.id.in_(oldest), messages.c.next_us <= now_us)
    return list(connection.scalars(query.order_by(messages.c.next_us, messages.c.id)))


def next_of(connection: sa.Connection, person_id: int) -> Message | None:
    """The oldest waiting message of a person; later ones wait for it."""
    query = _MESSAGE.where(messages.c.person_id == person_id, messages.c.state == WAITING)
    row = connection.execute(query.order_by(messages.c.id).limit(1)).first()
    return None if row is None else _read(row)


def settle(connection: sa.Connection, message_id: int, values: Mapping[str, Any]) -> None:
    """Write the outcome of a try."""
    connection.execute(sa.update(messages).where(messages.c.id == message_id).values(**values))


def told(connection: sa.Connection, matter_ids: Collection[int]) -> dict[int, set[int]]:
    """Matter -> the people who have a message of it."""
    query = sa.select(messages.c.matter_id, messages.c.person_id).where(messages.c.matter_id.in_(matter_ids))
    found: dict[int, set[int]] = {}
    for matter_id, person_id in connection.execute(query):
        found.setdefault(matter_id, set()).add(person_id)
    return found


def first_name(connection: sa.Connection, message: Message) -> str | None:
    """The name of the first message of the same matter to the same person; None: it is the first."""
    if message.matter_id is None:
        return None
    query = sa.select(messages.c.name).where(
        messages.c.person_id == message.person_id,
        messages.c.matter_id == message.matter_id,
        messages.c.id < message.id,
    )
    return connection.scalar(query.order_by(messages.c.id).limit(1))


def list_of(
    connection: sa.Connection,
    owner_id: int,
    *,
    state: str | None = None,
    person_id: int | None = None,
    before_id: int | None = None,
    limit: int = 100,
) -> list[Message]:
    """Messages of an owner, newest first; None: in any state, of all people."""
    query = _MESSAGE.where(messages.c.owner_id == owner_id).order_by(messages.c.id.desc()).limit(limit)
    if state is not None:
        query = query.where(messages.c.state == state)
    if person_id is not None:
        query = query.where(messages.c.person_id == person_id)
    if before_id is not None:
        query = query.where(messages.c.id < before_id)
    return [_read(row) for row in connection.execute(query)]


def written_since(connection: sa.Connection, person_id: int, kind: str, since_us: int) -> int:
    """How many messages of a kind were written to a person since an instant."""
    row = messages.c
    here = row.person_id == person_id, row.kind == kind, row.written_us >= since_us
    return connection.scalar(sa.select(sa.func.count()).select_from(messages).where(*here)) or 0


def drop_waiting(connection: sa.Connection, person_id: int, kind: str | None) -> None:
    """Delete what waits to be sent to a person: of one kind, or, with None, all of it."""
    waiting = sa.delete(messages).where(messages.c.person_id == person_id, messages.c.state == WAITING)
    connection.execute(waiting if kind is None else waiting.where(messages.c.kind == kind))


def send_again(connection: sa.Connection, owner_id: int, message_id: int) -> bool:
    """Have a message sent again that was given up. False where there is no such message."""
    again = sa.update(messages).where(messages.c.owner_id == owner_id, messages.c.id == message_id)
    fresh = {"state": WAITING, "tries": 0, "first_tried_us": None, "next_us": 0, "settled_us": None}
    return connection.execute(again.where(messages.c.state == GIVEN_UP).values(**fresh)).rowcount > 0


def count_by_state(connection: sa.Connection) -> dict[str, int]:
    """How many messages are in each state, of all owners."""
    query = sa.select(messages.c.state, sa.func.count()).group_by(messages.c.state)
    counts = {row[0]: row[1] for row in connection.execute(query)}
    return {state: counts.get(state, 0) for state in MESSAGE_STATES}


def forget_settled(connection: sa.Connection, before_us: int, *, limit: int = 1_000) -> int:
    """
    Delete messages that were sent or given up before an instant. Returns how many.

    Those of a matter stay until it was settled before that instant too: they say who heard of it.
    """
    settled = sa.select(matters.c.id).where(matters.c.settled_us < before_us)
    query = sa.select(messages.c.id).where(
        messages.c.state != WAITING,
        messages.c.settled_us < before_us,
        sa.or_(messages.c.matter_id.is_(None), messages.c.matter_id.in_(settled)),
    )
    done = list(connection.scalars(query.limit(limit)))
    if done:
        connection.execute(sa.delete(messages).where(messages.c.id.in_(done)))
    return len(done)
