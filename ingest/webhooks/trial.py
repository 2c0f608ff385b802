"""
A trial event, sent to a webhook at once because a person asks, whatever waits there.

Promises: it goes the way of every event: signed, to an allowed address, with a number of its own. It waits
for nothing, is tried once, and what came back is kept with the webhook. Where the receiver took it, what
waits there is tried now and not at its next time.
Leaves to others: who may ask (`ingest.api.routes.webhooks`).
"""

from __future__ import annotations

import asyncio
import json
import threading

import sqlalchemy as sa

from cleanside.ingest.errors import Refused
from cleanside.ingest.store import outbox
from cleanside.ingest.store.outbox import WAITING, Delivery, TrialEvent, Webhook
from cleanside.ingest.store.webhook_secrets import Opened
from cleanside.ingest.webhooks.addresses import networks_of
from cleanside.ingest.webhooks.announcing import trial_event
from cleanside.ingest.webhooks.sending import TRY_S, Failed, Sender, Taken
from cleanside.ingest.writer.resources import Resources

_one_at_a_time = threading.Lock()  # a trial takes a thread of requests for as long as a try; chosen


def send_trial(resources: Resources, webhook: Webhook, opened: Opened) -> TrialEvent:
    """Send a trial event, and keep what came back. Raises Refused (429) while another one is under way."""
    if not _one_at_a_time.acquire(blocking=False):
        headers = {"Retry-After": str(round(TRY_S))}
        raise Refused("trial_under_way", status=429, code="over_quota", headers=headers, retry_s=round(TRY_S))
    try:
        delivery = resources.writer.call(lambda connection: _event(connection, webhook, resources.clock()))
        sender = Sender(allowed=networks_of(resources.settings.webhook_networks), clock=resources.clock)
        outcome = asyncio.run(_sent(sender, opened, delivery))
    finally:
        _one_at_a_time.release()
    trial = TrialEvent(
        at_us=delivery.at_us,
        event_id=delivery.event_id,
        status=outcome.status if isinstance(outcome, Taken) else None,
        failure=outcome.why if isinstance(outcome, Failed) else None,
    )
    resources.writer.call(lambda connection: outbox.keep_trial(connection, webhook.id, trial))
    return trial


async def _sent(sender: Sender, opened: Opened, delivery: Delivery) -> Taken | Failed:
    async with sender.client() as http:
        return await sender.try_once(http, opened, delivery)


def _event(connection: sa.Connection, webhook: Webhook, now_us: int) -> Delivery:
    """A trial event with its number; the courier delivers it nowhere."""
    event = trial_event(webhook, now_us)
    return Delivery(
        webhook_id=webhook.id,
        event_id=outbox.put(connection, webhook.owner_id, event, []),
        state=WAITING,
        tries=0,
        first_tried_us=None,
        next_us=0,
        settled_us=None,
        reason=None,
        failure=None,
        type=event.type,
        subject=event.subject,
        at_us=event.at_us,
        data=json.dumps(event.data),
    )
