"""
Webhooks, events and their deliveries: the outbox.

Promises: an event and its deliveries are written in one transaction with the change that they announce. The
oldest waiting delivery of a webhook goes first, and none overtakes it. An event is deleted only after
delivery.
Leaves to others: which events there are (`ingest.webhooks.announcing`), sending (`ingest.webhooks.courier`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store.coded_failures import kept
from cleanside.ingest.store.delivery_failures import Failure
from cleanside.ingest.store.models import deliveries, events, webhooks

WAITING, DELIVERED, DEAD = "waiting", "delivered", "dead"
STATES = (WAITING, DELIVERED, DEAD)


@dataclass(frozen=True, slots=True)
class Webhook:
    """A row of `webhooks`."""

    id: int
    owner_id: int
    url: str = field(repr=False)
    secret: str = field(repr=False)
    types: str
    note: str
    created_us: int
    who: str
    ended_us: int | None
    sealed_url: str | None
    sealed_secret: str | None
    last_trial: str | None

    @property
    def wanted(self) -> list[str]:
        """The event types it wants."""
        types: list[str] = json.loads(self.types)
        return types


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialEvent:
    """What came back of a trial event."""

    at_us: int
    event_id: int
    #: of HTTP, where the receiver took it
    status: int | None
    #: why it was not taken
    failure: Failure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened, before it has a row."""

    type: str
    subject: str
    at_us: int
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Delivery:
    """A row of `deliveries` with its event."""

    webhook_id: int
    event_id: int
    state: str
    tries: int
    first_tried_us: int | None
    next_us: int
    settled_us: int | None
    reason: str | None
    failure: str | None
    type: str
    subject: str
    at_us: int
    data: str


_WEBHOOK = sa.select(*(webhooks.c[f] for f in Webhook.__slots__))
_OF_EVENT = {"type", "subject", "at_us", "data"}
_DELIVERY = sa.select(
    *((events if f in _OF_EVENT else deliveries).c[f] for f in Delivery.__slots__)
).select_from(deliveries.join(events))


# ---------------------------------------------------------------- webhooks


def create(connection: sa.Connection, values: Mapping[str, Any]) -> Webhook:
    """Store a new webhook."""
    statement = sa.insert(webhooks).values(**values).returning(*(webhooks.c[f] for f in Webhook.__slots__))
    return Webhook(*connection.execute(statement).one())


def find(connection: sa.Connection, owner_id: int, webhook_id: int) -> Webhook | None:
    """A webhook of this owner, also one that has ended."""
    query = _WEBHOOK.where(webhooks.c.owner_id == owner_id, webhooks.c.id == webhook_id)
    row = connection.execute(query).first()
    return None if row is None else Webhook(*row)


def list_of(
    connection: sa.Connection, owner_id: int, *, after_id: int = 0, limit: int = 100
) -> list[Webhook]:
    """Active webhooks of this owner, oldest first."""
    query = _WEBHOOK.where(webhooks.c.owner_id == owner_id, webhooks.c.id > after_id)
    query = query.where(webhooks.c.ended_us.is_(None)).order_by(webhooks.c.id).limit(limit)
    return [Webhook(*row) for row in connection.execute(query)]


def wanted(connection: sa.Connection) -> list[Webhook]:
    """All active webhooks of all owners."""
    query = _WEBHOOK.where(webhooks.c.ended_us.is_(None)).order_by(webhooks.c.id)
    return [Webhook(*row) for row in connection.execute(query)]


def every(connection: sa.Connection) -> list[Webhook]:
    """All webhooks of all owners, ended ones too."""
    return [Webhook(*row) for row in connection.execute(_WEBHOOK.order_by(webhooks.c.id))]


def keep_secrets(connection: sa.Connection, webhook_id: int, values: Mapping[str, Any]) -> None:
    """Write address and secret of a webhook (`ingest.store.webhook_secrets`)."""
    connection.execute(sa.update(webhooks).where(webhooks.c.id == webhook_id).values(**values))


def keep_trial(connection: sa.Connection, webhook_id: int, trial: TrialEvent) -> None:
    """Keep what came back of the last trial; where it was taken, what waits is tried now."""
    written = json.dumps(asdict(trial))
    connection.execute(sa.update(webhooks).where(webhooks.c.id == webhook_id).values(last_trial=written))
    if trial.failure is None:
        waiting = deliveries.c.webhook_id == webhook_id, deliveries.c.state == WAITING
        connection.execute(sa.update(deliveries).where(*waiting).values(next_us=0))


def last_trial(webhook: Webhook) -> TrialEvent | None:
    """What came back of the last trial; None: there was none."""
    if webhook.last_trial is None:
        return None
    kept_as: dict[str, Any] = json.loads(webhook.last_trial)
    failure = kept_as.pop("failure")
    return TrialEvent(**kept_as, failure=None if failure is None else Failure(**failure))


def any_sealed(connection: sa.Connection) -> bool:
    """True where an active webhook is encrypted."""
    query = sa.select(webhooks.c.id).where(
        webhooks.c.ended_us.is_(None), webhooks.c.sealed_secret.is_not(None)
    )
    return connection.execute(query.limit(1)).first() is not None


def end(connection: sa.Connection, webhook_id: int, now_us: int, *, origin: str) -> None:
    """
    End a webhook; waiting deliveries are given up, with the reason.

    origin : scheme, host and port of its address; the rest of the address and the secret are deleted.
    """
    ended = {"ended_us": now_us, "sealed_url": None, "sealed_secret": None, "secret": "", "url": origin}
    connection.execute(sa.update(webhooks).where(webhooks.c.id == webhook_id).values(**ended))
    left = sa.update(deliveries).where(deliveries.c.webhook_id == webhook_id, deliveries.c.state == WAITING)
    connection.execute(left.values(state=DEAD, settled_us=now_us, **kept(Failure("webhook_ended", {}))))


# ---------------------------------------------------------------- events


def put(connection: sa.Connection, owner_id: int, event: Event, to: Sequence[Webhook]) -> int:
    """Write an event, and a delivery to each of these webhooks. Returns its number."""
    values = {"owner_id": owner_id, "type": event.type, "subject": event.subject, "at_us": event.at_us}
    statement = sa.insert(events).values(data=json.dumps(event.data), **values).returning(events.c.id)
    event_id = int(connection.execute(statement).scalar_one())
    if to:
        rows = [{"webhook_id": webhook.id, "event_id": event_id, "state": WAITING} for webhook in to]
        connection.execute(sa.insert(deliveries), rows)
    return event_id


def next_due(connection: sa.Connection, webhook_id: int) -> Delivery | None:
    """The oldest waiting delivery; later ones wait for it."""
    query = _DELIVERY.where(deliveries.c.webhook_id == webhook_id, deliveries.c.state == WAITING)
    row = connection.execute(query.order_by(deliveries.c.event_id).limit(1)).first()
    return None if row is None else Delivery(*row)


def settle(connection: sa.Connection, delivery: Delivery, values: Mapping[str, Any]) -> None:
    """Write the outcome of a try."""
    conditions = (deliveries.c.webhook_id == delivery.webhook_id, deliveries.c.event_id == delivery.event_id)
    connection.execute(sa.update(deliveries).where(*conditions).values(**values))


def deliveries_of(
    connection: sa.Connection, webhook_id: int, *, state: str | None, after_id: int = 0, limit: int = 100
) -> list[Delivery]:
    """Deliveries of a webhook in order of event; state None: any."""
    query = _DELIVERY.where(deliveries.c.webhook_id == webhook_id, deliveries.c.event_id > after_id)
    if state is not None:
        query = query.where(deliveries.c.state == state)
    query = query.order_by(deliveries.c.event_id).limit(limit)
    return [Delivery(*row) for row in connection.execute(query)]


def replay(connection: sa.Connection, webhook_id: int, *, from_event: int | None) -> int:
    """Mark deliveries to be sent again: those given up, or all from an event on. Returns how many."""
    chosen = (
        deliveries.c.state == DEAD
        if from_event is None
        else sa.and_(deliveries.c.state != WAITING, deliveries.c.event_id >= from_event)
    )
    again = sa.update(deliveries).where(deliveries.c.webhook_id == webhook_id, chosen)
    fresh = {"state": WAITING, "tries": 0, "first_tried_us": None, "next_us": 0, "settled_us": None}
    return connection.execute(again.values(**fresh)).rowcount


def count_by_state(connection: sa.Connection, webhook_id: int | None = None) -> dict[str, int]:
    """How many deliveries are in each state, of one webhook or of all."""
    query = sa.select(deliveries.c.state, sa.func.count()).group_by(deliveries.c.state)
    if webhook_id is not None:
        query = query.where(deliveries.c.webhook_id == webhook_id)
    counts = {row[0]: row[1] for row in connection.execute(query)}
    return {state: counts.get(state, 0) for state in STATES}


def forget_delivered(connection: sa.Connection, before_us: int, *, limit: int = 1_000) -> int:
    """
    Delete events that were dealt with everywhere before an instant. Returns how many, at most `limit`.

    Delivered, or given up by a webhook that has ended: no person can have that sent again.
    """
    may_be_sent = sa.and_(deliveries.c.state == DEAD, webhooks.c.ended_us.is_(None))
    pending = (
        sa.select(deliveries.c.event_id)
        .join_from(deliveries, webhooks)
        .where(
            deliveries.c.event_id == events.c.id,
            sa.or_(deliveries.c.state == WAITING, deliveries.c.settled_us >= before_us, may_be_sent),
        )
        .exists()
    )
    query = sa.select(events.c.id).where(events.c.at_us < before_us, sa.not_(pending)).limit(limit)
    events_done = list(connection.scalars(query))
    if events_done:
        connection.execute(sa.delete(deliveries).where(deliveries.c.event_id.in_(events_done)))
        connection.execute(sa.delete(events).where(events.c.id.in_(events_done)))
    return len(events_done)
