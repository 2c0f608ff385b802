"""Messages to the people of an owner: what was not delivered, and what holds for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Query, Request, Response
from pydantic import Field

from cleanside.ingest.api.routes.described_kinds import MessageState
from cleanside.ingest.api.routes.described_messages import MessageAgain, MessageRulesAnswer, MessagesAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, page_answer
from cleanside.ingest.api.routes.shared import R, Strict, needs, problems, router_of, shown, text
from cleanside.ingest.errors import NotFound
from cleanside.ingest.store import audit, coded_failures, message_choices, messages, people
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.message_choices import Rules
from cleanside.ingest.store.messages import Message
from cleanside.ingest.writer.resources import Resources

router = router_of("messages")

MessageId = Annotated[int, Path(ge=1, le=2**53, examples=[1])]
Manager = Annotated[Key, Depends(needs("messages:manage"))]
MOST_HOURS = 24 * 31


class MessageRules(Strict):
    """What holds for all messages; left out: as it is."""

    person: str | None = Field(
        None, max_length=32, description="who hears of what no person answered; null: it is not escalated"
    )
    escalate_after_h: int | None = Field(
        None, ge=1, le=MOST_HOURS, description="how long an answer may take before it is escalated [h]"
    )


@router.get(
    "/v1/messages",
    summary="Messages to people",
    responses=shown(MessagesAnswer, tagged=True),
    response_class=Response,
)
def get_messages(
    request: Request,
    resources: R,
    key: Manager,
    page: P,
    state: Annotated[MessageState | None, Query(description="only those in this state")] = None,
) -> Response:
    """Messages, newest first, with the reason where one was not delivered. Not what they say."""
    (before_id,) = page.after(int) or (None,)
    rows = listed(resources, key, state=state, before_id=before_id, limit=page.limit + 1)
    kept, cursor = page.cut(rows, lambda document: (document["message"],))
    return page_answer(request, "messages", list(kept), cursor)


def listed(
    resources: Resources, key: Key, *, state: str | None, before_id: int | None = None, limit: int
) -> list[dict[str, Any]]:
    """Messages of the key's owner, newest first."""
    with resources.reading() as connection:
        rows = messages.list_of(connection, key.owner_id, state=state, before_id=before_id, limit=limit)
        names = {person.id: person.name for person in people.list_of(connection, key.owner_id)}
    return [_document(row, names) for row in rows]


@router.post(
    "/v1/messages/{message}/replay",
    summary="Send a message again",
    response_model=MessageAgain,
    responses=problems(404),
)
def post_message_replay(message: MessageId, resources: R, key: Manager) -> dict[str, Any]:
    """Have a message sent again that was given up, under the same Message-ID."""

    def save(connection: sa.Connection) -> None:
        if not messages.send_again(connection, key.owner_id, message):
            raise NotFound("message", str(message))
        audit.note(connection, key.owner_id, resources.clock(), key.handle, "message_replay", message=message)

    resources.writer.call(save)
    return {"message": message, "waiting_again": True}


@router.get("/v1/message-rules", summary="What holds for all messages", response_model=MessageRulesAnswer)
def get_message_rules(resources: R, key: Manager) -> dict[str, Any]:
    """To whom a matter is escalated that no person answered, and after how long."""
    with resources.reading() as connection:
        return _rules_document(connection, key)


@router.patch(
    "/v1/message-rules",
    summary="Change what holds for all messages",
    response_model=MessageRulesAnswer,
    responses=problems(404),
)
@example({"person": "{person}", "escalate_after_h": 8})
def patch_message_rules(body: MessageRules, resources: R, key: Manager) -> dict[str, Any]:
    """Change to whom a matter is escalated that no person answered, and after how long."""
    changes = body.model_dump(exclude_unset=True)

    def save(connection: sa.Connection) -> dict[str, Any]:
        columns = {"escalate_after_h": changes["escalate_after_h"]} if changes.get("escalate_after_h") else {}
        if "person" in changes:
            columns |= {"escalate_to_id": _person_id(connection, key, changes["person"])}
        if columns:
            message_choices.keep_rules(connection, key.owner_id, **columns)
            about = body.model_dump(mode="json")
            audit.note(connection, key.owner_id, resources.clock(), key.handle, "message_rules", body=about)
        return _rules_document(connection, key)

    return resources.writer.call(save)


def _person_id(connection: sa.Connection, key: Key, name: str | None) -> int | None:
    if name is None:
        return None
    person = people.find(connection, key.owner_id, name)
    if person is None:
        raise NotFound("person", name)
    return person.id


def _rules_document(connection: sa.Connection, key: Key) -> dict[str, Any]:
    rules: Rules = message_choices.rules_of(connection, key.owner_id)
    to = None if rules.escalate_to_id is None else people.by_id(connection, rules.escalate_to_id)
    return {"person": None if to is None else to.name, "escalate_after_h": rules.escalate_after_h}


def _document(message: Message, names: Mapping[int, str]) -> dict[str, Any]:
    """A message for its admin. names : person -> name."""
    return {
        "message": message.id,
        "person": names.get(message.person_id),
        "kind": message.kind,
        "subject": message.about.get("machine") or message.about.get("device"),
        "written_at": text(message.written_us),
        "state": message.state,
        "tries": message.tries,
        "next_try_at": text(message.next_us) if message.state == messages.WAITING else None,
        "settled_at": text(message.settled_us),
        "reason": message.reason,
        "failure": coded_failures.document(message.why),
    }
