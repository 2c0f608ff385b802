"""Which messages a person wants, where and when; and a message to see whether it arrives."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from pydantic import Field

from cleanside.ingest.api.routes.described_kinds import DigestPeriod, MatterKind
from cleanside.ingest.api.routes.described_messages import MyMessagesAnswer, TrialMessageAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.names import TIME_OF_DAY_PATTERN
from cleanside.ingest.api.routes.paper_shapes import ZoneName
from cleanside.ingest.api.routes.sessions import Me
from cleanside.ingest.api.routes.shared import R, Strict, problems, router_of, text
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.messages.choices import MOST_ADDRESS, begun_with, is_address, next_digest_us
from cleanside.ingest.messages.confirming import GOOD_FOR_US, MOST_A_DAY
from cleanside.ingest.messages.matters import MATTER_KINDS
from cleanside.ingest.messages.telling import Reader, address_message, trial_message
from cleanside.ingest.owners.access import allows
from cleanside.ingest.store import audit, coded_failures, message_choices, messages, people
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.message_choices import MessageChoices
from cleanside.ingest.writer.resources import Resources

router = router_of("messages")

DAY_US = 86_400_000_000

#: of a day, in the person's zone
TimeOfDay = Annotated[str, Field(pattern=TIME_OF_DAY_PATTERN, examples=["06:00"])]


class MessageWishes(Strict):
    """What a person changes of the messages they get; left out: as it is."""

    address: str | None = Field(
        None,
        max_length=MOST_ADDRESS,
        description='of e-mail; "": nothing is sent. A new one is used once it is confirmed by the link that '
        "is sent there; the same again sends another link",
        examples=["mara@shop.example"],
    )
    alerts: list[MatterKind] | None = Field(
        None, max_length=16, description="kinds of matters that are sent at once"
    )
    digest: DigestPeriod | None = Field(None, description="how often what is due is summed up")
    digest_at: TimeOfDay | None = Field(None, description="when the digest is written, in their zone")
    zone: ZoneName | None = Field(None, description="where the person is")
    quiet_from: TimeOfDay | None = Field(
        None, description="nothing is sent from then on; null: no such hours"
    )
    quiet_until: TimeOfDay | None = Field(None, description="until then; null: no such hours")


@router.get("/v1/me/messages", summary="Which messages one gets", response_model=MyMessagesAnswer)
def get_my_messages(resources: R, key: Me) -> dict[str, Any]:
    """Which messages the person who is signed in chose, and what became of the newest."""
    with resources.reading() as connection:
        chosen = message_choices.of(connection, -key.id)
    return wishes_document(resources, key, chosen)


@router.patch(
    "/v1/me/messages",
    summary="Choose which messages one gets",
    response_model=MyMessagesAnswer,
    responses=problems(409),
)
@example(
    {"address": "mara@shop.example", "alerts": ["over_limit"], "digest": "daily", "zone": "Europe/Vienna"}
)
def patch_my_messages(body: MessageWishes, resources: R, key: Me) -> dict[str, Any]:
    """
    Choose which messages one gets. The first digest comes today if its time is to come.

    A new address gets one message with a link, good for three days and once, and nothing else until a person
    confirms it (`address_to_confirm`). The address before stays in use until then.
    """
    changes = body.model_dump(exclude_unset=True)
    wanted = {name: value for name, value in changes.items() if value is not None or name in _MAY_BE_NULL}

    def save(connection: sa.Connection) -> MessageChoices:
        before, now_us = message_choices.of(connection, -key.id), resources.clock()
        changed = _checked(before, wanted)
        if wanted.get("digest", before.digest) != before.digest:
            wanted["digest_day"] = begun_with(changed, now_us).isoformat()
        values = wanted | _addresses(before, wanted, now_us)
        message_choices.keep(connection, -key.id, **values)
        if values.get("new_address"):
            _ask_to_confirm(connection, -key.id, now_us)
        audit.note(connection, key.owner_id, now_us, key.handle, "messages_chosen", person=key.handle)
        return message_choices.of(connection, -key.id)

    return wishes_document(resources, key, resources.writer.call(save))


def _addresses(before: MessageChoices, wanted: dict[str, Any], now_us: int) -> dict[str, Any]:
    """The address in use, and the one that waits to be confirmed; {}: none was given."""
    if "address" not in wanted:
        return {}
    if wanted["address"] in ("", before.address):
        return {"address": wanted["address"], "new_address": "", "new_until_us": None}
    until_us = now_us + GOOD_FOR_US
    return {"address": before.address, "new_address": wanted["address"], "new_until_us": until_us}


def _ask_to_confirm(connection: sa.Connection, person_id: int, now_us: int) -> None:
    """Send the link to a new address. Raises Refused (409) where that was done too often."""
    if messages.written_since(connection, person_id, messages.ADDRESS, now_us - DAY_US) >= MOST_A_DAY:
        raise Refused("too_many_confirmations", status=409, most=MOST_A_DAY)
    person = people.by_id(connection, person_id)
    assert person is not None
    messages.drop_waiting(connection, person_id, messages.ADDRESS)
    reader = Reader(person=person, choices=message_choices.of(connection, person_id))
    messages.put(connection, [address_message(reader, now_us)])


#: null says something of these: there are no quiet hours
_MAY_BE_NULL = frozenset({"quiet_from", "quiet_until"})


def _checked(before: MessageChoices, wanted: dict[str, Any]) -> MessageChoices:
    """The choices with the changes. Raises Refused (422) where they do not fit together."""
    values = {name: getattr(before, name) for name in MessageChoices.__slots__} | wanted
    after = MessageChoices(**values | {"alerts": frozenset(values["alerts"])})
    if after.address and not is_address(after.address):
        raise NotValid(Complaint("#/address", "not_an_address_of_mail", address=after.address))
    if (after.quiet_from is None) != (after.quiet_until is None):
        raise NotValid(Complaint("#/quiet_until", "quiet_hours_half"))
    return after


@router.post(
    "/v1/me/messages/test",
    status_code=201,
    summary="Send oneself a message",
    response_model=TrialMessageAnswer,
    responses=problems(409),
)
def post_trial_message(resources: R, key: Me) -> dict[str, Any]:
    """Send a message to oneself, at once, to see whether messages arrive."""

    def save(connection: sa.Connection) -> str:
        person, now_us = people.by_id(connection, -key.id), resources.clock()
        chosen = message_choices.of(connection, -key.id)
        if person is None or not chosen.address or not resources.settings.smtp_host:
            raise Refused("no_way_to_person", status=409)
        message = trial_message(Reader(person=person, choices=chosen), now_us)
        messages.put(connection, [message])
        audit.note(connection, key.owner_id, now_us, key.handle, "trial_message", person=key.handle)
        return message.name

    return {"name": resources.writer.call(save)}


def wishes_document(resources: Resources, key: Key, chosen: MessageChoices) -> dict[str, Any]:
    """What a person chose, for an answer."""
    with resources.reading() as connection:
        lately = messages.list_of(connection, key.owner_id, person_id=-key.id, limit=1)
    newest = lately[0] if lately else None
    return {
        "address": chosen.address,
        "address_to_confirm": chosen.new_address or None,
        "confirm_until": text(chosen.new_until_us),
        "alerts": sorted(chosen.alerts),
        "alerts_there_are": [kind for kind, permission in MATTER_KINDS.items() if allows(key, permission)],
        "digest": chosen.digest,
        "digest_at": chosen.digest_at,
        "digest_next_at": text(next_digest_us(chosen, resources.clock())) if chosen.address else None,
        "zone": chosen.zone,
        "quiet_from": chosen.quiet_from,
        "quiet_until": chosen.quiet_until,
        "mail_is_set_up": bool(resources.settings.smtp_host),
        "newest_state": None if newest is None else newest.state,
        "newest_at": None if newest is None else text(newest.settled_us or newest.written_us),
        "newest_reason": None if newest is None else newest.reason,
        "newest_failure": None if newest is None else coded_failures.document(newest.why),
    }
