"""Webhooks: addresses for events, pending deliveries, and sending them again."""

from __future__ import annotations

import base64
import json
import secrets
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Query, Request, Response
from pydantic import Field

from cleanside.ingest import hidden
from cleanside.ingest.api.routes.described_kinds import DeliveryState
from cleanside.ingest.api.routes.described_webhooks import (
    DeliveriesAnswer,
    ReplayAnswer,
    TrialAnswer,
    WebhookEnded,
    WebhookMade,
    WebhooksAnswer,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.named_schema import named
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.shared import R, Strict, Words, needs, problems, router_of, shown, text
from cleanside.ingest.errors import AddressRefused, CannotOpen, Complaint, NotFound, NotValid, Refused
from cleanside.ingest.store import audit, coded_failures, outbox, releases, webhook_secrets
from cleanside.ingest.store.delivery_failures import Failure
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.outbox import Delivery, TrialEvent, Webhook
from cleanside.ingest.store.sealing import SealingKey
from cleanside.ingest.webhooks import addresses, announcing
from cleanside.ingest.webhooks.trial import send_trial
from cleanside.ingest.writer.resources import Resources

router = router_of("webhooks")

MAX_WEBHOOKS = 20  # an owner; chosen
SECRET_BYTES = 32

Admin = Annotated[Key, Depends(needs("webhooks:manage"))]
Operator = Annotated[Key, Depends(needs("webhooks:replay"))]
WebhookId = Annotated[int, Path(ge=1, le=2**53, examples=[1])]

EventType = Annotated[Words, Field(json_schema_extra=named("EventType"))]

#: what may be asked for
EVENT_TYPES = tuple(announcing.TYPES)
EVENTS = "\n".join(f"| `{kind}` | {sentence} |" for kind, sentence in announcing.TYPES.items())


class NewWebhook(Strict):
    """An address and its event types."""

    url: Words = Field(
        max_length=addresses.MAX_URL,
        description="address that events are POSTed to, https",
        examples=["https://shop.example/cleanside"],
    )
    types: list[EventType] = Field(min_length=1, max_length=32, examples=[[announcing.STATE_CHANGED]])
    note: Words = Field("", max_length=200)


class NewReplay(Strict):
    """Which deliveries to send again; left out: those given up."""

    from_event: int | None = Field(None, ge=1, le=2**53, description="all from this event on")


@router.post(
    "/v1/webhooks",
    status_code=201,
    summary="Be told of what happens",
    description=(
        "Events are POSTed as CloudEvents 1.0 (structured JSON), in order, signed by HTTP Message Signatures "
        "(RFC 9421, hmac-sha256) over method, address, media type and content digest, with the time of the "
        "try in `created`. Answer 2xx within 10 s to take one; anything else is tried again with growing "
        "waits. An id may come twice: keep the ids you took. HTTPS to public addresses only; redirects are "
        "not followed. The answer shows the secret once; it is kept encrypted, and so is the address, which "
        "is shown without its query, and of a long path the beginning alone; a mark behind # tells two "
        f"addresses apart.\n\n| type | when |\n| --- | --- |\n{EVENTS}"
    ),
    response_model=WebhookMade,
    responses=problems(409),
)
@example({"url": "https://shop.example/hook", "types": ["cleanside.state.changed"]})
def post_webhook(body: NewWebhook, resources: R, key: Admin) -> dict[str, Any]:
    """Register a webhook. The answer shows its secret once; a first event is sent at once."""
    _check(body, resources.settings.webhook_networks)
    secret = base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        keys = _keys(connection, resources.webhook_keys)
        if len(outbox.list_of(connection, key.owner_id, limit=MAX_WEBHOOKS)) >= MAX_WEBHOOKS:
            raise Refused("too_many_webhooks", status=409, most=MAX_WEBHOOKS)
        origin = hidden.origin_of(body.url)
        values = {"owner_id": key.owner_id, "url": origin, "secret": "", "note": body.note}
        values |= {"types": json.dumps(sorted(set(body.types))), "created_us": now_us, "who": key.handle}
        made = outbox.create(connection, values)  # encrypted for its number, which it has only now
        clear = not releases.has_ended(connection, webhook_secrets.BEFORE)
        kept = webhook_secrets.at_rest(keys, made.id, key.owner_id, url=body.url, secret=secret, clear=clear)
        outbox.keep_secrets(connection, made.id, kept)
        outbox.put(connection, key.owner_id, announcing.welcome(made, now_us), [made])
        audit.note(connection, key.owner_id, now_us, key.handle, "webhook", webhook=made.id, origin=origin)
        document = _document(connection, replace(made, **kept), resources.webhook_keys)
        return document | {"secret": secret, "key_id": f"webhook-{made.id}"}

    return resources.writer.call(save)


def _keys(connection: sa.Connection, file: KeyFile) -> Sequence[SealingKey]:
    """The keys to encrypt a new webhook with. Raises Refused (409) where there is none."""
    try:
        return file.read_or_make(needed=outbox.any_sealed(connection))
    except CannotOpen as error:
        raise Refused(error.case, status=409, code="webhook_key_missing", **error.values) from error


def _check(body: NewWebhook, networks: str) -> None:
    """Raise Refused (422) for a forbidden address, or an unknown type."""
    errors: list[Complaint] = []
    try:
        addresses.check_url(body.url, addresses.networks_of(networks))
    except AddressRefused as error:
        errors.append(Complaint.of("#/url", error))
    there = ", ".join(announcing.TYPES)
    errors += [
        Complaint(f"#/types/{i}", "no_such_type", type=kind[:64], there=there)
        for i, kind in enumerate(body.types)
        if kind not in announcing.TYPES
    ]
    if errors:
        raise NotValid(*errors)


@router.get(
    "/v1/webhooks",
    summary="Webhooks",
    responses=shown(WebhooksAnswer, tagged=True),
    response_class=Response,
)
def get_webhooks(request: Request, resources: R, key: Admin, page: P) -> Response:
    """The webhooks of this owner, oldest first, with the pending deliveries of each."""
    documents, cursor = list_webhooks(resources, key, page)
    return page_answer(request, "webhooks", documents, cursor)


def list_webhooks(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of webhooks, and the cursor of the next."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        rows = outbox.list_of(connection, key.owner_id, after_id=after_id, limit=page.limit + 1)
        kept, cursor = page.cut(rows, lambda webhook: (webhook.id,))
        return [_document(connection, webhook, resources.webhook_keys) for webhook in kept], cursor


@router.delete(
    "/v1/webhooks/{webhook}", summary="End a webhook", response_model=WebhookEnded, responses=problems(404)
)
def delete_webhook(webhook: WebhookId, resources: R, key: Admin) -> dict[str, Any]:
    """End a webhook; its waiting deliveries are given up, and stay in the list."""

    def save(connection: sa.Connection) -> None:
        now_us = resources.clock()
        found = _find(connection, key, webhook, wanted=True)
        outbox.end(connection, found.id, now_us, origin=hidden.origin_of(found.url))
        audit.note(connection, key.owner_id, now_us, key.handle, "webhook_ended", webhook=webhook)

    resources.writer.call(save)
    return {"webhook": webhook, "ended": True}


@router.get(
    "/v1/webhooks/{webhook}/deliveries",
    summary="What is on its way to a webhook",
    responses=shown(DeliveriesAnswer, tagged=True) | problems(404),
    response_class=Response,
)
def get_webhook_deliveries(
    webhook: WebhookId,
    request: Request,
    resources: R,
    key: Operator,
    page: P,
    state: Annotated[DeliveryState | None, Query(description="only those in this state")] = None,
) -> Response:
    """Deliveries in order of event, given-up ones too, with the reason."""
    documents, cursor = list_deliveries(resources, key, page, webhook, state)
    return page_answer(request, "deliveries", documents, cursor)


def list_deliveries(
    resources: Resources, key: Key, page: Page, webhook: int, state: DeliveryState | None
) -> tuple[list[dict[str, Any]], str | None]:
    """One page of the deliveries of a webhook, and the cursor of the next. state : None: any."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        webhook_row = _find(connection, key, webhook, wanted=False)
        listed = outbox.deliveries_of(
            connection, webhook_row.id, state=state, after_id=after_id, limit=page.limit + 1
        )
    kept, cursor = page.cut(listed, lambda delivery: (delivery.event_id,))
    return [_delivery(entry) for entry in kept], cursor


@router.post(
    "/v1/webhooks/{webhook}/replays",
    summary="Send again",
    response_model=ReplayAnswer,
    responses=problems(404),
)
@example({})
def post_webhook_replay(webhook: WebhookId, body: NewReplay, resources: R, key: Operator) -> dict[str, Any]:
    """Send deliveries again, in order: those given up, or all from an event on."""

    def save(connection: sa.Connection) -> int:
        found = _find(connection, key, webhook, wanted=True)
        again = outbox.replay(connection, found.id, from_event=body.from_event)
        about = {"webhook": webhook, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, resources.clock(), key.handle, "webhook_replay", **about)
        return again

    return {"webhook": webhook, "waiting_again": resources.writer.call(save)}


@router.post(
    "/v1/webhooks/{webhook}/trials",
    summary="Send a trial event",
    response_model=TrialAnswer,
    responses=problems(404, 409, 429),
)
def post_webhook_trial(webhook: WebhookId, resources: R, key: Operator) -> dict[str, Any]:
    """
    Send a trial event now, ahead of what waits, and say what came back.

    It is tried once. Where the receiver takes it, what waits is tried now too. One trial at a time.
    """
    with resources.reading() as connection:
        found = _find(connection, key, webhook, wanted=True)
    try:
        opened = webhook_secrets.opened(found, resources.webhook_keys)
    except CannotOpen as error:
        raise Refused(error.case, status=409, code="webhook_key_missing", **error.values) from error
    done = send_trial(resources, found, opened)
    about = {"webhook": webhook, "outcome": done.status if done.failure is None else done.failure.code}
    resources.writer.call(
        lambda c: audit.note(c, key.owner_id, resources.clock(), key.handle, "webhook_trial", **about)
    )
    return {"webhook": webhook, **_trial(done)}


def _trial(trial: TrialEvent) -> dict[str, Any]:
    why = trial.failure
    return {
        "event": trial.event_id,
        "at": text(trial.at_us),
        "taken": why is None,
        "status": trial.status,
        "reason": None if why is None else why.detail,
        "failure": coded_failures.document(why),
    }


def _find(connection: sa.Connection, key: Key, webhook_id: int, *, wanted: bool) -> Webhook:
    webhook = outbox.find(connection, key.owner_id, webhook_id)
    if webhook is None or (wanted and webhook.ended_us is not None):
        raise NotFound("webhook", str(webhook_id))
    return webhook


def _document(connection: sa.Connection, webhook: Webhook, file: KeyFile) -> dict[str, Any]:
    """A webhook for its admin; without the key file only scheme, host and port of the address."""
    url, paused = webhook.url, None
    try:
        url = webhook_secrets.opened(webhook, file).url
    except CannotOpen as error:
        paused = {"code": error.code, "detail": str(error)}
    return {
        "webhook": webhook.id,
        "url": addresses.shortened(url),
        "paused": paused,
        "types": webhook.wanted,
        "note": webhook.note,
        "created_at": text(webhook.created_us),
        "who": webhook.who,
        **outbox.count_by_state(connection, webhook.id),
        "failing": _failing(outbox.next_due(connection, webhook.id)),
        "last_trial": None if (trial := outbox.last_trial(webhook)) is None else _trial(trial),
    }


def _failing(oldest: Delivery | None) -> dict[str, Any] | None:
    """Why what waits does not get there. oldest : the delivery that the others wait for; None: none waits."""
    if oldest is None or not oldest.tries:
        return None
    return {
        "event": oldest.event_id,
        "since": text(oldest.first_tried_us),
        "tries": oldest.tries,
        "next_try_at": text(oldest.next_us) if oldest.next_us else None,
        "reason": oldest.reason,
        "failure": coded_failures.document(Failure.read(oldest.reason, oldest.failure)),
    }


def _delivery(entry: Delivery) -> dict[str, Any]:
    why = Failure.read(entry.reason, entry.failure)
    return {
        "event": entry.event_id,
        "type": entry.type,
        "subject": entry.subject,
        "at": text(entry.at_us),
        "data": json.loads(entry.data),
        "state": entry.state,
        "tries": entry.tries,
        "next_try_at": text(entry.next_us) if entry.state == outbox.WAITING and entry.next_us else None,
        "settled_at": text(entry.settled_us),
        "reason": entry.reason,
        "failure": coded_failures.document(why),
    }
