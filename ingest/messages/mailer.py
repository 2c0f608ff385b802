"""
The mailer looks for what is worth a message, and sends messages by e-mail, each until the relay takes it.

Promises: messages to a person go in order. A failure is tried again with growing random waits; after
`mail_give_up_days`, or once the relay refuses a message for good, it is given up, which shows on the page,
in the log and in the figures, and a person can have it sent again. A message that was taken but not recorded
before a crash is sent again under the same Message-ID. No person waits for another: a receiver that is slow
or gone holds one of `MAILS_AT_ONCE` ways for one try.
The processes of a database share the people: one at a time sends to each, and one notices; both by leases.
Leaves to others: which messages there are (`ingest.messages.noticing`), the relay (`ingest.messages.smtp`).
"""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
import threading
from collections.abc import Callable

from cleanside.ingest.errors import CannotOpen, TryAgain
from cleanside.ingest.messages import confirming, leaving
from cleanside.ingest.messages.leaving import Leaving
from cleanside.ingest.messages.letter import Letter, Outgoing, mime_of
from cleanside.ingest.messages.noticing import DigestOf, Noticer, owners_to_look_at
from cleanside.ingest.messages.smtp import Relay, Unsent, relay_of, send
from cleanside.ingest.messages.telling import ESCALATED
from cleanside.ingest.store import leases, message_choices, messages, outbox, people
from cleanside.ingest.store.coded_failures import kept
from cleanside.ingest.store.message_choices import MessageChoices
from cleanside.ingest.store.message_failures import MessageFailure
from cleanside.ingest.store.messages import ADDRESS, GIVEN_UP, SENT, Message
from cleanside.ingest.store.people import Person
from cleanside.ingest.store.sealing import SealingKey
from cleanside.ingest.webhooks.announcing import Views
from cleanside.ingest.webhooks.courier import FINISH_S, wait_s
from cleanside.ingest.writer.lease import Lease, new_holder
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

NOTICING_LEASE = "mailer"  # the previous release's name: a process of it neither notices beside us
MAIL_LEASE_US = 60_000_000  # longer than a try; after a kill another process takes over then; chosen
MAILER_PAUSE_S = 1.0  # between looks; chosen
NOTICE_EVERY_US = 10_000_000  # looking at a fleet is work; chosen
MAILS_AT_ONCE = 4
MAILS_IN_A_ROW = 20  # to one person before their turn is over; chosen
KEEP_SETTLED_US = 90 * 86_400_000_000  # how long it can be seen what was sent or given up; chosen
FORGET_SETTLED_EVERY_US = 3_600_000_000

#: a message -> its words
LetterOf = Callable[[Outgoing], Letter]
#: fields of a message after a try
Outcome = dict[str, int | str | None]


def after_try(
    message: Message, unsent: Unsent | None, *, now_us: int, give_up_us: int, jitter: float
) -> Outcome:
    """The message after a try. Pure. unsent : None, the relay took it."""
    first_us = message.first_tried_us if message.first_tried_us is not None else now_us
    values: Outcome = {"tries": message.tries + 1, "first_tried_us": first_us}
    if unsent is None:
        return values | {"state": SENT, "settled_us": now_us} | kept(None)
    values |= kept(unsent.why)
    if unsent.is_final or now_us - first_us >= give_up_us:
        return values | {"state": GIVEN_UP, "settled_us": now_us}
    return values | {"next_us": now_us + int(wait_s(message.tries, jitter) * 1e6)}


def is_time(next_us: int, every_us: int, now_us: int) -> bool:
    """True where the next time has come, or a clock that was set back would put it off."""
    return not next_us - every_us <= now_us < next_us


class Mailer:
    """A thread that notices what is worth a message, and sends it."""

    def __init__(
        self,
        resources: Resources,
        views: Views,
        *,
        digest_of: DigestOf,
        letter_of: LetterOf,
        jitter: Callable[[], float] = random.random,
        pause_s: float = MAILER_PAUSE_S,
        verify: ssl.SSLContext | None = None,
    ) -> None:
        """
        views : the present views of an owner's housings. verify : certificates to trust, None: the usual.

        Raises CalledWrongly for settings that do not fit together.
        """
        self._resources = resources
        self._relay = relay_of(resources.settings)
        self._verify = verify
        self._letter_of = letter_of
        self._jitter = jitter
        self._pause_s = pause_s
        self._noticing = Lease(resources, NOTICING_LEASE, MAIL_LEASE_US)
        self._holder = new_holder(resources)
        self._noticer = Noticer(
            resources, views, digest_of, has_relay=self._relay is not None, write=self._noticing.write
        )
        self._give_up_us = resources.settings.mail_give_up_days * 86_400_000_000
        self._next_notice_us = self._next_forget_us = 0
        self._thread = threading.Thread(target=lambda: asyncio.run(self._work()), name="mailer", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        self._thread.join()

    async def _work(self) -> None:
        verify = self._verify or ssl.create_default_context()
        busy: dict[int, asyncio.Task[None]] = {}
        while not self._resources.stopping.is_set():
            try:
                await self._look(self._relay, verify, busy)
            except TryAgain as error:  # stopping, or the database does not answer: what is due stays due
                log.info("ingest.mail_waits", extra={"reason": error.reason})
            except Exception:
                log.exception("ingest.mail_failed")
            await asyncio.to_thread(self._resources.stopping.wait, self._pause_s)
        await _finish(busy)
        await asyncio.to_thread(self._noticing.give_back)

    async def _look(
        self, relay: Relay | None, verify: ssl.SSLContext, busy: dict[int, asyncio.Task[None]]
    ) -> None:
        """Notice what is new, and begin to send what is due. relay : None, nothing is sent."""
        for person_id in [person_id for person_id, task in busy.items() if task.done()]:
            del busy[person_id]
        for person_id in await asyncio.to_thread(self._due):
            if relay is not None and len(busy) < MAILS_AT_ONCE and person_id not in busy:
                busy[person_id] = asyncio.create_task(self._send_all(relay, verify, person_id))

    def _due(self) -> list[int]:
        """The people with a due message to whom no other process sends, after noticing."""
        resources = self._resources
        with resources.reading() as connection:
            if not owners_to_look_at(connection):
                return []
        if self._noticing.take():
            self._notice()
        with resources.reading() as connection:
            now_us = resources.clock()
            others = leases.of_others(connection, self._holder, leases.now_us(connection, now_us))
            waiting = messages.people_waiting(connection, now_us)
            return [person_id for person_id in waiting if _lease_name(person_id) not in others]

    def _notice(self) -> None:
        """What one process at a time does."""
        now_us = self._resources.clock()
        if is_time(self._next_notice_us, NOTICE_EVERY_US, now_us):
            self._next_notice_us = now_us + NOTICE_EVERY_US
            self._noticer.notice()
        if is_time(self._next_forget_us, FORGET_SETTLED_EVERY_US, now_us):
            self._next_forget_us = now_us + FORGET_SETTLED_EVERY_US
            self._noticing.write(
                lambda connection: messages.forget_settled(connection, now_us - KEEP_SETTLED_US)
            )

    async def _send_all(self, relay: Relay, verify: ssl.SSLContext, person_id: int) -> None:
        """Send the due messages of one person, in order, until one fails or their turn is over."""
        lease = Lease(self._resources, _lease_name(person_id), MAIL_LEASE_US, holder=self._holder)
        try:
            for _ in range(MAILS_IN_A_ROW):
                if (
                    not await self._send_next(relay, verify, person_id, lease)
                    or self._resources.stopping.is_set()
                ):
                    return
        except TryAgain as error:
            log.info("ingest.mail_waits", extra={"reason": error.reason})
        except Exception:
            log.exception("ingest.mail_failed", extra={"person": person_id})
        finally:
            await asyncio.to_thread(lease.give_back)

    async def _send_next(self, relay: Relay, verify: ssl.SSLContext, person_id: int, lease: Lease) -> bool:
        """Make the next try. True if it is settled and there may be more."""
        outgoing = await asyncio.to_thread(self._next, relay, person_id, lease)
        if outgoing is None:
            return False
        unsent = await self._try(relay, verify, outgoing)
        return await asyncio.to_thread(self._settle, outgoing.message, unsent, lease)

    async def _try(self, relay: Relay, verify: ssl.SSLContext, outgoing: Outgoing) -> Unsent | None:
        if not outgoing.to:
            return Unsent(why=MessageFailure("no_address", {}), is_final=True)
        if outgoing.message.kind == ADDRESS and outgoing.confirm_link is None:
            return Unsent(why=MessageFailure("no_link", {}))
        try:
            content = await asyncio.to_thread(lambda: mime_of(self._letter_of(outgoing), outgoing))
        except Exception as error:  # a fault of ours in one message holds up no other
            log.exception("ingest.letter_failed", extra={"message_id": outgoing.message.id})
            why = MessageFailure("not_written", {"error": type(error).__name__})
            return Unsent(why=why, is_final=True)
        return await send(relay, outgoing.to, content, verify)

    def _settle(self, message: Message, unsent: Unsent | None, lease: Lease) -> bool:
        """Record a try. True if the message is settled."""
        now_us = self._resources.clock()
        values = after_try(message, unsent, now_us=now_us, give_up_us=self._give_up_us, jitter=self._jitter())
        lease.write(lambda connection: messages.settle(connection, message.id, values))
        if unsent is not None:
            event = "ingest.message_given_up" if values.get("state") == GIVEN_UP else "ingest.message_unsent"
            log.warning(event, extra={"message_id": message.id, "reason": unsent.why.detail})
        return "state" in values

    def _next(self, relay: Relay, person_id: int, lease: Lease) -> Outgoing | None:
        """The due message of a person, while this process sends to them."""
        if not lease.take():
            return None
        with self._resources.reading() as connection:
            message = messages.next_of(connection, person_id)
            person = people.by_id(connection, person_id)
            if message is None or person is None or message.next_us > self._resources.clock():
                return None
            chosen, first = (
                message_choices.of(connection, person_id),
                messages.first_name(connection, message),
            )
        to = chosen.new_address if message.kind == ADDRESS else chosen.address
        return Outgoing(
            message=message,
            person=person,
            to=to if person.state == people.VALID else "",
            relay=relay,
            first_name=first,
            leave_link=self._leave_link(relay, person, message),
            confirm_link=self._confirm_link(relay, person, message, chosen),
        )

    def _confirm_link(
        self, relay: Relay, person: Person, message: Message, chosen: MessageChoices
    ) -> str | None:
        """The address under which a person confirms a new address; None: the message is about none."""
        if message.kind != ADDRESS or not chosen.new_address:
            return None
        try:
            return confirming.link_of(relay.pages, self._key(), person.handle, chosen)
        except CannotOpen as error:
            log.warning("ingest.mail_without_link", extra={"reason": str(error)})
            return None

    def _leave_link(self, relay: Relay, person: Person, message: Message) -> str | None:
        """
        The address under which a person leaves.

        None without a key, because an alert must not wait for that; of what is escalated, which an admin
        chose for them; and of the link to a new address, which gets nothing else until it is confirmed.
        """
        if message.about.get("what") == ESCALATED or message.kind == ADDRESS:
            return None
        try:
            return leaving.link_of(relay.pages, self._key(), Leaving(person.handle, message.kind))
        except CannotOpen as error:
            log.warning("ingest.mail_without_leaving", extra={"reason": str(error)})
            return None

    def _key(self) -> SealingKey:
        file = self._resources.webhook_keys
        with self._resources.reading() as connection:
            needed = outbox.any_sealed(connection)
        return file.read_or_make(needed=needed)[0]


def _lease_name(person_id: int) -> str:
    return f"mail:{person_id}"


async def _finish(busy: dict[int, asyncio.Task[None]]) -> None:
    """A moment for what is under way; what was taken without a record is sent once more."""
    if busy:
        _, unfinished = await asyncio.wait(busy.values(), timeout=FINISH_S)
        for task in unfinished:
            task.cancel()
        await asyncio.gather(*unfinished, return_exceptions=True)
