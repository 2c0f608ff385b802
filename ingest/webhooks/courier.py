"""
The courier delivers the events of the outbox to webhooks, in order, until each is taken.

Promises: a webhook gets an event only after the previous one was taken or given up. A failure is tried again
with growing random waits. After `webhook_give_up_days` it is dead, which shows in the list, the log and the
figures, and an operator can send it again. A try that was taken but not recorded before a crash is repeated
with the same id: receivers see an id again then, and never miss one. At a stop a running try has a moment to
end. Webhooks do not wait for each other.
The processes of a database share the webhooks: one at a time sends to each, and one at a time announces, by
leases. After a kill another process takes over once the lease ends. A webhook whose secret cannot be
decrypted is paused.
Leaves to others: the events (`ingest.webhooks.announcing`), a single try (`ingest.webhooks.sending`).
"""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
import threading
from collections.abc import Callable, Sequence
from functools import partial
from operator import itemgetter

import httpx
import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import leases, outbox, webhook_secrets
from cleanside.ingest.store.coded_failures import kept
from cleanside.ingest.store.outbox import DEAD, DELIVERED, Delivery, Webhook
from cleanside.ingest.store.webhook_secrets import Opened
from cleanside.ingest.webhooks.addresses import Resolve, by_system, networks_of
from cleanside.ingest.webhooks.announcing import Views, announce
from cleanside.ingest.webhooks.sending import Failed, Sender
from cleanside.ingest.writer.lease import Lease, new_holder
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

ANNOUNCING_LEASE = "courier"  # the previous release's name: a process of it neither announces beside us
ANNOUNCING_LEASE_US = 60_000_000  # longer than a look at a fleet; chosen
DELIVERY_LEASE_US = 30_000_000  # longer than a try; after a kill another process takes over then; chosen
COURIER_PAUSE_S = 1.0  # between looks; chosen
FINISH_S = 2.0  # at a stop, for a pending answer to arrive and be recorded; chosen
DELIVERIES_AT_ONCE = 8  # webhooks sent to at the same time; chosen
IN_A_ROW = 20  # deliveries to one webhook before its turn is over; chosen
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 3_600.0
KEEP_US = 30 * 86_400_000_000  # how long delivered events are kept, so that they can be sent again; chosen
FORGET_EVERY_US = 3_600_000_000


def wait_s(tries: int, jitter: float) -> float:
    """Half to all of a bound that doubles with each try. jitter : 0 to 1."""
    bound = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries, 30))
    return bound * (0.5 + 0.5 * jitter)


def settled(
    delivery: Delivery, failed: Failed | None, *, now_us: int, give_up_us: int, jitter: float
) -> dict[str, int | str | None]:
    """The delivery after a try. Pure. failed : None, it was taken."""
    first_us = delivery.first_tried_us if delivery.first_tried_us is not None else now_us
    values: dict[str, int | str | None] = {"tries": delivery.tries + 1, "first_tried_us": first_us}
    if failed is None:
        return values | {"state": DELIVERED, "settled_us": now_us} | kept(None)
    values |= kept(failed.why)
    if now_us - first_us >= give_up_us:
        return values | {"state": DEAD, "settled_us": now_us}
    asked_s = min(failed.retry_after_s or 0.0, LONGEST_WAIT_S)
    return values | {"next_us": now_us + int(max(wait_s(delivery.tries, jitter), asked_s) * 1e6)}


class Courier:
    """A thread that announces news and delivers it."""

    def __init__(
        self,
        resources: Resources,
        views: Views,
        *,
        resolve: Resolve = by_system,
        jitter: Callable[[], float] = random.random,
        pause_s: float = COURIER_PAUSE_S,
        verify: ssl.SSLContext | bool = True,
    ) -> None:
        """
        views : the present views of an owner's housings. verify : certificates to trust, True: the usual.
        """
        self._resources = resources
        self._views = views
        self._jitter = jitter
        self._pause_s = pause_s
        self._announcing = Lease(resources, ANNOUNCING_LEASE, ANNOUNCING_LEASE_US)
        self._holder = new_holder(resources)
        self._sender = Sender(
            allowed=networks_of(resources.settings.webhook_networks),
            clock=resources.clock,
            resolve=resolve,
            verify=verify,
        )
        self._give_up_us = resources.settings.webhook_give_up_days * 86_400_000_000
        self._next_forget_us = 0
        #: the input of the last pass of `_bring_along`; webhook -> why it is paused, as last logged
        self._brought: object = None
        self._paused: dict[int, str] = {}
        self._thread = threading.Thread(target=lambda: asyncio.run(self._work()), name="courier", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        self._thread.join()

    async def _work(self) -> None:
        busy: dict[int, asyncio.Task[None]] = {}
        async with self._sender.client(DELIVERIES_AT_ONCE) as http:
            while not self._resources.stopping.is_set():
                try:
                    await self._look(http, busy)
                except TryAgain as error:  # stopping, or the database does not answer: what is due stays due
                    log.info("ingest.webhooks_wait", extra={"reason": error.reason})
                except Exception:
                    log.exception("ingest.webhooks_failed")
                await asyncio.to_thread(self._resources.stopping.wait, self._pause_s)
            if busy:  # a delivery that a receiver took without a record is sent once more
                _, unfinished = await asyncio.wait(busy.values(), timeout=FINISH_S)
                for task in unfinished:
                    task.cancel()
                await asyncio.gather(*unfinished, return_exceptions=True)
        await asyncio.to_thread(self._announcing.give_back)

    async def _look(self, http: httpx.AsyncClient, busy: dict[int, asyncio.Task[None]]) -> None:
        """Announce news, and begin deliveries where some are due."""
        for webhook_id in [webhook_id for webhook_id, task in busy.items() if task.done()]:
            del busy[webhook_id]
        for webhook in await asyncio.to_thread(self._prepared):
            if len(busy) < DELIVERIES_AT_ONCE and webhook.id not in busy:
                busy[webhook.id] = asyncio.create_task(self._deliver_all(http, webhook))

    def _prepared(self) -> list[Opened]:
        """The webhooks with a due delivery that no other process sends to, after announcing."""
        resources = self._resources
        with resources.reading() as connection:
            wanted = outbox.wanted(connection)
        if not wanted:
            return []
        if self._announcing.take():
            self._announce(wanted)
        with resources.reading() as connection:
            return self._due(connection)

    def _announce(self, wanted: Sequence[Webhook]) -> None:
        """What one process at a time does."""
        now_us = self._resources.clock()
        self._bring_along(wanted)
        announce(self._resources, self._views, self._announcing.write)
        if now_us >= self._next_forget_us:
            self._next_forget_us = now_us + FORGET_EVERY_US
            self._forget(now_us - KEEP_US)

    def _forget(self, before_us: int) -> None:
        """All that is due, in steps: readings go first in between."""
        forget = partial(outbox.forget_delivered, before_us=before_us)
        while not self._resources.stopping.is_set() and self._announcing.write(forget):
            pass

    def _due(self, connection: sa.Connection) -> list[Opened]:
        """The webhooks with a due delivery that no other process sends to, the oldest event first."""
        now_us = self._resources.clock()
        others = leases.of_others(connection, self._holder, leases.now_us(connection, now_us))
        ready = self._not_paused(outbox.wanted(connection))
        found = [
            (outbox.next_due(connection, one.id), one) for one in ready if _lease_name(one) not in others
        ]
        due = [(event.event_id, one) for event, one in found if event is not None and event.next_us <= now_us]
        return [one for _, one in sorted(due, key=itemgetter(0))]

    def _bring_along(self, wanted: Sequence[Webhook]) -> None:
        """Encrypt webhooks that a process of the previous release wrote, or that an older key encrypted."""
        file = self._resources.webhook_keys
        state = webhook_secrets.state_of(wanted, file)
        if state != self._brought:
            webhook_secrets.say(self._announcing.write(lambda c: webhook_secrets.bring_along(c, file)))
            self._brought = state

    def _not_paused(self, wanted: Sequence[Webhook]) -> list[Opened]:
        """The webhooks whose secret can be decrypted; a change of the others is logged."""
        ready, paused = webhook_secrets.opened_and_paused(wanted, self._resources.webhook_keys)
        if paused != self._paused:
            ids = ",".join(str(webhook_id) for webhook_id in paused)
            if paused:
                fields = {"webhooks": ids, "reason": str(next(iter(paused.values())))}
                log.warning("ingest.webhooks_paused", extra=fields)
            else:
                log.warning("ingest.webhooks_resumed")
            self._paused = paused
        return ready

    async def _deliver_all(self, http: httpx.AsyncClient, webhook: Opened) -> None:
        """Make the due deliveries of one webhook, in order, until one fails or its turn is over."""
        lease = Lease(self._resources, _lease_name(webhook), DELIVERY_LEASE_US, holder=self._holder)
        try:
            for _ in range(IN_A_ROW):
                if not await self._deliver_next(http, webhook, lease) or self._resources.stopping.is_set():
                    return
        except TryAgain as error:
            log.info("ingest.webhooks_wait", extra={"reason": error.reason})
        except Exception:
            log.exception("ingest.webhooks_failed", extra={"webhook": webhook.id})
        finally:
            await asyncio.to_thread(lease.give_back)

    async def _deliver_next(self, http: httpx.AsyncClient, webhook: Opened, lease: Lease) -> bool:
        """Make the next try. True if it was taken and there may be more."""
        delivery = await asyncio.to_thread(self._next, webhook, lease)
        if delivery is None:
            return False
        outcome = await self._sender.try_once(http, webhook, delivery)
        failed = outcome if isinstance(outcome, Failed) else None
        now_us = self._resources.clock()
        values = settled(delivery, failed, now_us=now_us, give_up_us=self._give_up_us, jitter=self._jitter())
        await asyncio.to_thread(lease.write, lambda connection: outbox.settle(connection, delivery, values))
        tried = {"webhook": webhook.id, "event_id": delivery.event_id, "taken": failed is None}
        log.debug("ingest.webhook_tried", extra=tried)  # without the address, which may have a token
        if failed is not None:
            event = "ingest.webhook_dead" if values.get("state") == DEAD else "ingest.webhook_failed"
            fields = {"webhook": webhook.id, "event_id": delivery.event_id, "reason": failed.why.detail}
            log.warning(event, extra=fields)
        return failed is None or values.get("state") == DEAD

    def _next(self, webhook: Opened, lease: Lease) -> Delivery | None:
        """The due delivery of a webhook, while it is active and this process sends to it."""
        if not lease.take():
            return None
        with self._resources.reading() as connection:
            current = outbox.find(connection, webhook.owner_id, webhook.id)
            waiting = outbox.next_due(connection, webhook.id)
        if current is None or current.ended_us is not None or waiting is None:
            return None
        return waiting if waiting.next_us <= self._resources.clock() else None


def _lease_name(webhook: Opened) -> str:
    return f"webhook:{webhook.id}"
