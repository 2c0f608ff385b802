"""
A look at every owner: what became of its matters, who gets a message, and whose digest is due.

Promises: a matter and the messages about it are written in one transaction, and so are a digest and the day
it is for; a kill in between leaves neither. What was wrong when an owner was first looked at is no news: it
is in the digest. An error at one owner holds up no other.
Leaves to others: what is decided (`matters`, `telling`, `choices`), sending (`mailer`).

One process at a time does this (`ingest.messages.mailer`), for owners of whom somebody has an address
or a webhook wants matters.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.messages import matters
from cleanside.ingest.messages.choices import digest_due
from cleanside.ingest.messages.matters import OPENED, Look, MatterChange
from cleanside.ingest.messages.telling import (
    Reader,
    after,
    digest_message,
    escalations,
    event_of,
    messages_of,
)
from cleanside.ingest.store import backup_record, declared, message_choices, messages, outbox, people
from cleanside.ingest.store import matters as matter_rows
from cleanside.ingest.store.matters import Matter
from cleanside.ingest.store.message_choices import Rules
from cleanside.ingest.store.messages import NewMessage
from cleanside.ingest.store.outbox import Event
from cleanside.ingest.webhooks.announcing import OF_MATTERS, Views, Write
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

#: a person, their zone and language -> what their digest says now; None: it would say nothing
DigestOf = Callable[[sa.Connection, Reader], Mapping[str, Any] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Noticed:
    """What is to be written of one owner."""

    owner_id: int
    rules: Rules
    readers: tuple[Reader, ...]
    changes: tuple[MatterChange, ...]
    escalated: tuple[tuple[Matter, NewMessage], ...]
    #: with the day that each is for; None: nothing to say on that day
    digests: tuple[tuple[Reader, date, NewMessage | None], ...]

    @property
    def says_something(self) -> bool:
        """False where nothing is to be written."""
        first = self.rules.looked_us is None
        return bool(first or self.changes or self.escalated or self.digests)


class Noticer:
    """Looks at the owners."""

    def __init__(
        self, resources: Resources, views: Views, digest_of: DigestOf, *, has_relay: bool, write: Write
    ) -> None:
        """has_relay : False, there is no way to people and nothing is written to them."""
        self._has_relay = has_relay
        self._write = write
        self._resources = resources
        self._views = views
        self._digest_of = digest_of

    def notice(self) -> int:
        """Write what is new of all owners. Returns how many owners had something."""
        with self._resources.reading() as connection:
            owners = owners_to_look_at(connection)
        return sum(self._notice_of(owner_id) for owner_id in owners)

    def _notice_of(self, owner_id: int) -> bool:
        """Write what is new of one owner. False: nothing is."""
        now_us = self._resources.clock()
        with self._resources.reading() as connection:
            news = self._looked(connection, owner_id, now_us)
        if news is None or not news.says_something:
            return False
        self._write(partial(write, news=news, now_us=now_us))
        return True

    def _looked(self, connection: sa.Connection, owner_id: int, now_us: int) -> Noticed | None:
        """What is new of one owner; None after an error, so that no other owner waits for it."""
        try:
            return self._look(connection, owner_id, now_us)
        except (TryAgain, sa.exc.SQLAlchemyError):  # the database, for all of them
            raise
        except Exception:
            log.exception("ingest.noticing_failed", extra={"owner": owner_id})
            return None

    def _look(self, connection: sa.Connection, owner_id: int, now_us: int) -> Noticed:
        rules = message_choices.rules_of(connection, owner_id)
        readers = readers_of(connection, owner_id) if self._has_relay else []
        known = matter_rows.open_of(connection, owner_id)
        changes = matters.changes_of(known, self._seen(connection, owner_id, now_us))
        unanswered = matters.unchanged(known, changes)
        return Noticed(
            owner_id=owner_id,
            rules=rules,
            readers=tuple(readers),
            changes=tuple(changes),
            escalated=tuple(escalations(unanswered, rules, readers, now_us)),
            digests=tuple(self._digests(connection, readers, now_us)),
        )

    def _seen(self, connection: sa.Connection, owner_id: int, now_us: int) -> Look:
        return matters.together(
            matters.of_housings(self._views(connection, owner_id)),
            matters.of_account(self._faults(owner_id)),
            matters.of_backup(backup_record.read(backup_record.path_of(self._resources.settings))),
            matters.of_declared(declared.lines(connection, owner_id), now_us),
        )

    def _faults(self, owner_id: int) -> Sequence[str] | None:
        """What does not balance; None: it was not counted since this server started."""
        counted = self._resources.counted
        return None if counted is None else counted.faults.get(owner_id, ())

    def _digests(
        self, connection: sa.Connection, readers: Iterable[Reader], now_us: int
    ) -> Iterable[tuple[Reader, date, NewMessage | None]]:
        for reader in readers:
            day = digest_due(reader.choices, now_us)
            if day is not None and reader.person.state == people.VALID:
                about = self._digest_of(connection, reader)
                said = None if about is None else digest_message(reader, day, about, now_us)
                yield reader, day, said


def readers_of(connection: sa.Connection, owner_id: int) -> list[Reader]:
    """The people of an owner who have an address."""
    chosen = message_choices.of_owner(connection, owner_id)
    everyone = people.list_of(connection, owner_id)
    return [Reader(person=one, choices=chosen[one.id]) for one in everyone if one.id in chosen]


# ---------------------------------------------------------------- written in one transaction


def write(connection: sa.Connection, news: Noticed, now_us: int) -> None:
    """Write the matters of an owner, and the messages about them."""
    is_first = news.rules.looked_us is None
    if is_first:
        message_choices.keep_rules(connection, news.owner_id, looked_us=now_us)
    known = [change.matter.id for change in news.changes if change.matter is not None]
    told = messages.told(connection, known)
    for change in news.changes:
        matter = _keep(connection, news.owner_id, change, now_us)
        if not (is_first and change.what == OPENED):
            said = messages_of(
                change.what,
                matter,
                news.readers,
                now_us,
                told=told.get(matter.id, ()),
                escalate_to_id=news.rules.escalate_to_id,
            )
            messages.put(connection, said)
            _tell_webhooks(connection, event_of(change.what, matter, now_us), news.owner_id)
    for matter, message in news.escalated:
        matter_rows.edit(connection, matter.id, escalated_us=now_us)
        messages.put(connection, [message])
    _write_digests(connection, news.digests)


def _tell_webhooks(connection: sa.Connection, event: Event, owner_id: int) -> None:
    """Write the event that an owner's webhooks get of the same matter."""
    wanted = outbox.wanted(connection)
    to = [webhook for webhook in wanted if webhook.owner_id == owner_id and event.type in webhook.wanted]
    if to:
        outbox.put(connection, owner_id, event, to)


def owners_to_look_at(connection: sa.Connection) -> list[int]:
    """Owners of whom a person has an address, or a webhook wants matters."""
    hooks = {hook.owner_id for hook in outbox.wanted(connection) if OF_MATTERS & set(hook.wanted)}
    return sorted(hooks | set(message_choices.owners_to_tell(connection)))


def _write_digests(
    connection: sa.Connection, digests: Sequence[tuple[Reader, date, NewMessage | None]]
) -> None:
    for reader, day, message in digests:
        message_choices.keep(connection, reader.person.id, digest_day=day.isoformat())
        messages.put(connection, [message] if message is not None else [])


def _keep(connection: sa.Connection, owner_id: int, change: MatterChange, now_us: int) -> Matter:
    """Write what became of a matter. Returns it as it is now."""
    values = after(change, now_us)
    if change.matter is not None:
        matter_rows.edit(connection, change.matter.id, **values)
        return replace(change.matter, **values)
    made = matter_rows.find(connection, owner_id, matter_rows.create(connection, owner_id=owner_id, **values))
    assert made is not None
    return made
