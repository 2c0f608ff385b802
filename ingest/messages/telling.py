"""
Who gets which message: from what became of matters, and what people chose, to messages that are written.

Promises: pure. A message's name follows from kind, matter and step, or from the day, so the same message has
the same name however often it is written. Who heard of a matter hears that it is settled, unless they left
its kind since.
Leaves to others: the words (`ingest.console.letters`), the rows (`ingest.store.messages`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from cleanside.gateway.wire import instant_text
from cleanside.ingest.messages.choices import may_hear, not_before_us
from cleanside.ingest.messages.matters import OPENED, SETTLED, WORSE, MatterChange
from cleanside.ingest.store.matters import Matter
from cleanside.ingest.store.message_choices import MessageChoices, Rules
from cleanside.ingest.store.messages import ADDRESS, DIGEST, TEST, NewMessage
from cleanside.ingest.store.outbox import Event
from cleanside.ingest.store.people import VALID, Person
from cleanside.ingest.webhooks.announcing import MATTER_OPENED, MATTER_SETTLED, MATTER_WORSE

USUAL_LANGUAGE = "en"  # of who chose none: there is no browser to ask
ESCALATED = "escalated"
#: kinds of messages that are about no matter
OF_NO_MATTER = frozenset({DIGEST, TEST, ADDRESS})
HOUR_US = 3_600_000_000
#: what became of a matter -> the type of its event
EVENT_TYPES = {OPENED: MATTER_OPENED, WORSE: MATTER_WORSE, SETTLED: MATTER_SETTLED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """A person with an address, and what they chose."""

    person: Person
    choices: MessageChoices

    def may_hear(self, kind: str, site: str | None) -> bool:
        """True where the person may know of a matter now."""
        return self.person.state == VALID and may_hear(self.person.as_key(), kind, site)


def after(change: MatterChange, now_us: int) -> dict[str, Any]:
    """The columns of a matter after a change; of a new one, all but its owner."""
    finding, matter = change.finding, change.matter
    if finding is None:
        return {"settled_us": now_us, "changed_us": now_us}
    values = {"site": finding.site, "severity": finding.severity, "about": dict(finding.about)}
    if matter is None:
        new = {"kind": finding.kind, "subject": finding.subject, "step": 1, "opened_us": now_us}
        return values | new | {"changed_us": now_us}
    return values | {"step": matter.step + 1, "changed_us": now_us, "answered_us": None, "answered_by": None}


def messages_of(
    what: str,
    matter: Matter,
    readers: Iterable[Reader],
    now_us: int,
    *,
    told: Collection[int] = (),
    escalate_to_id: int | None = None,
) -> list[NewMessage]:
    """
    The messages about a matter. what : OPENED, WORSE or SETTLED. matter : as it is now.

    told : people who had a message of it already. escalate_to_id : to whom it goes without an answer.
    """
    wanted = [reader for reader in readers if _is_told(what, matter, reader, told, escalate_to_id)]
    return [_message(what, matter, reader, now_us) for reader in wanted]


def _is_told(
    what: str, matter: Matter, reader: Reader, told: Collection[int], escalate_to_id: int | None
) -> bool:
    if not reader.may_hear(matter.kind, matter.site):
        return False
    person_id, chose = reader.person.id, matter.kind in reader.choices.alerts
    return person_id in told and (chose or person_id == escalate_to_id) if what == SETTLED else chose


def event_of(what: str, matter: Matter, now_us: int) -> Event:
    """What became of a matter, for webhooks. what : OPENED, WORSE or SETTLED."""
    data = {
        "matter": matter.id,
        "kind": matter.kind,
        "severity": matter.severity,
        "opened_at": instant_text(matter.opened_us),
        "site": matter.site,
        "machine": matter.about.get("machine"),
        "device": matter.about.get("device"),
    }
    return Event(type=EVENT_TYPES[what], subject=matter.subject, at_us=now_us, data=data)


def escalations(
    open_matters: Sequence[Matter], rules: Rules, readers: Iterable[Reader], now_us: int
) -> list[tuple[Matter, NewMessage]]:
    """Matters that no person answered in time, each with the message to whom the owner's rules name."""
    to = next((reader for reader in readers if reader.person.id == rules.escalate_to_id), None)
    if to is None:
        return []
    waited_us = rules.escalate_after_h * HOUR_US
    late = [
        matter
        for matter in open_matters
        if matter.answered_us is None
        and matter.escalated_us is None
        and matter.changed_us + waited_us <= now_us
    ]
    wanted = [matter for matter in late if to.may_hear(matter.kind, matter.site)]
    return [(matter, _message(ESCALATED, matter, to, now_us)) for matter in wanted]


def _message(what: str, matter: Matter, reader: Reader, now_us: int) -> NewMessage:
    about = {"what": what, "matter": matter.id, "since_s": matter.opened_us / 1e6, **matter.about}
    name = name_of(matter, what)
    return new_message(reader, name, matter.kind, about, now_us, matter_id=matter.id)


def name_of(matter: Matter, what: str) -> str:
    """
    The name of a message about a matter.

    From what the matter is, not from its row: after a restore another matter may get the number of its row.
    """
    of = "\n".join((str(matter.owner_id), matter.kind, matter.subject, str(matter.opened_us)))
    step = what if what in (SETTLED, ESCALATED) else str(matter.step)
    return f"{matter.kind}.{hashlib.sha256(of.encode()).hexdigest()[:16]}.{step}"


def digest_message(reader: Reader, day: date, about: Mapping[str, Any], now_us: int) -> NewMessage:
    """The digest of a day."""
    return new_message(reader, f"{DIGEST}.{day.isoformat()}", DIGEST, about, now_us)


def trial_message(reader: Reader, now_us: int) -> NewMessage:
    """What a person sends to themselves, to see whether it arrives; quiet hours do not hold it up."""
    return new_message(reader, f"{TEST}.{now_us}", TEST, {}, now_us, at_once=True)


def address_message(reader: Reader, now_us: int) -> NewMessage:
    """What goes to a new address, so that its person confirms it; quiet hours do not hold it up."""
    return new_message(reader, f"{ADDRESS}.{now_us}", ADDRESS, {}, now_us, at_once=True)


def new_message(
    reader: Reader,
    name: str,
    kind: str,
    about: Mapping[str, Any],
    now_us: int,
    *,
    matter_id: int | None = None,
    at_once: bool = False,
) -> NewMessage:
    """A message to a person, in their language and zone, not before their quiet hours end."""
    return NewMessage(
        owner_id=reader.person.owner_id,
        person_id=reader.person.id,
        name=name,
        kind=kind,
        about=about,
        language=reader.person.language or USUAL_LANGUAGE,
        zone=reader.choices.zone,
        written_us=now_us,
        next_us=now_us if at_once else not_before_us(reader.choices, now_us),
        matter_id=matter_id,
    )
