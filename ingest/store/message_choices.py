"""
Which messages people want and where, and what holds for all messages of an owner.

Leaves to others: which choices there are (`ingest.messages.choices`).
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import message_choices, message_rules, people

NO_DIGEST, DAILY, WEEKLY = DIGESTS = ("none", "daily", "weekly")


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageChoices:
    """A row of `message_choices`. Times of day are like 06:00, in their zone."""

    person_id: int
    #: of e-mail, confirmed; "": none, so nothing is sent
    address: str = ""
    #: takes its place once it is confirmed; "": none waits
    new_address: str = ""
    #: until when it may be confirmed [us]; None: none waits
    new_until_us: int | None = None
    alerts: frozenset[str] = frozenset()
    digest: str = NO_DIGEST
    digest_at: str = "06:00"
    #: the last day for which a digest was written; None: none was
    digest_day: str | None = None
    zone: str = "UTC"
    #: None: no quiet hours
    quiet_from: str | None = None
    quiet_until: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """A row of `message_rules`."""

    owner_id: int
    #: None: matters are not escalated
    escalate_to_id: int | None = None
    escalate_after_h: int = 24
    #: when its matters were first looked at; None: never
    looked_us: int | None = None


_FIELDS = tuple(MessageChoices.__slots__)
_CHOICES = sa.select(*(message_choices.c[name] for name in _FIELDS))


def _read(row: sa.Row[Any]) -> MessageChoices:
    values = dict(zip(_FIELDS, row, strict=True))
    return MessageChoices(**values | {"alerts": frozenset(json.loads(values["alerts"]))})


def of(connection: sa.Connection, person_id: int) -> MessageChoices:
    """What a person chose; without a row: no messages."""
    row = connection.execute(_CHOICES.where(message_choices.c.person_id == person_id)).first()
    return MessageChoices(person_id=person_id) if row is None else _read(row)


def of_owner(connection: sa.Connection, owner_id: int) -> dict[int, MessageChoices]:
    """Person -> choices, of the people of an owner who have an address."""
    query = _CHOICES.join(people).where(people.c.owner_id == owner_id, message_choices.c.address != "")
    return {row.person_id: _read(row) for row in connection.execute(query)}


def zones_of_owner(connection: sa.Connection, owner_id: int) -> frozenset[str]:
    """The time zones that people of an owner chose for their messages."""
    query = sa.select(message_choices.c.zone).join_from(message_choices, people)
    return frozenset(connection.scalars(query.where(people.c.owner_id == owner_id)))


def owners_to_tell(connection: sa.Connection) -> list[int]:
    """Owners of whom at least one person has an address, or one that waits to be confirmed."""
    chosen = (message_choices.c.address != "") | (message_choices.c.new_address != "")
    query = sa.select(people.c.owner_id).join(message_choices).where(chosen)
    return list(connection.scalars(query.distinct().order_by(people.c.owner_id)))


def keep(connection: sa.Connection, person_id: int, **changes: Any) -> None:
    """Write columns of what a person chose: those of `MessageChoices`."""
    if "alerts" in changes:
        changes["alerts"] = as_json(changes["alerts"])
    first = {name: getattr(MessageChoices(person_id=person_id), name) for name in _FIELDS}
    fresh = dialect.insert(connection, message_choices).values(first | {"alerts": "[]"} | changes)
    if changes:
        statement = fresh.on_conflict_do_update(index_elements=["person_id"], set_=changes)
    else:
        statement = fresh.on_conflict_do_nothing()
    connection.execute(statement)


def as_json(alerts: Collection[str]) -> str:
    """Kinds of matters as the column has them."""
    return json.dumps(sorted(alerts))


def rules_of(connection: sa.Connection, owner_id: int) -> Rules:
    """What holds for all messages of an owner."""
    query = sa.select(*(message_rules.c[name] for name in Rules.__slots__))
    row = connection.execute(query.where(message_rules.c.owner_id == owner_id)).first()
    if row is None:
        return Rules(owner_id=owner_id)
    return Rules(**dict(zip(Rules.__slots__, row, strict=True)))


def keep_rules(connection: sa.Connection, owner_id: int, **changes: Any) -> None:
    """Write columns of an owner's rules: those of `Rules`."""
    fresh = dialect.insert(connection, message_rules).values(owner_id=owner_id, **changes)
    connection.execute(fresh.on_conflict_do_update(index_elements=["owner_id"], set_=changes))
