"""
Address and secret of a webhook: encrypted at rest, decrypted only to send and to show the address to its
admin.

Promises: the secret is stored encrypted, and so is the address, because it may have a token. Only scheme,
host and port are in the clear. A row of a release before 0010 is encrypted beside its clear columns, which
are emptied once no process of that release can run. Each step is one transaction and may be killed: finished
steps stay, the next call does the rest. Without the key a webhook pauses.
Leaves to others: the cipher (`ingest.store.sealing`), the keys (`ingest.store.key_file`), sending
(`ingest.webhooks.courier`).
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.errors import CannotOpen
from cleanside.ingest.hidden import origin_of
from cleanside.ingest.store import audit, dialect, outbox, releases
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.outbox import Webhook
from cleanside.ingest.store.sealing import SealingKey, key_of, open_sealed, seal

log = logging.getLogger("cleanside.ingest")

#: the last schema whose processes read address and secret in the clear
BEFORE = "0009"


@dataclass(frozen=True, slots=True)
class Opened:
    """A webhook with its decrypted address and secret."""

    id: int
    owner_id: int
    url: str = field(repr=False)
    secret: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class Brought:
    """The outcome of a pass over all webhooks."""

    encrypted: int = 0
    emptied: int = 0
    #: active webhooks that are still in the clear, because there is no key
    in_clear: int = 0
    #: why there is no key; None where there was one, or nothing to encrypt
    trouble: CannotOpen | None = None


def at_rest(
    keys: Sequence[SealingKey], webhook_id: int, owner_id: int, *, url: str, secret: str, clear: bool
) -> dict[str, Any]:
    """The columns of a webhook. clear : a process of the previous release may run, and reads them."""
    return {
        "sealed_url": seal(keys, url, _place(webhook_id, owner_id, "url")),
        "sealed_secret": seal(keys, secret, _place(webhook_id, owner_id, "secret")),
        "url": url if clear else origin_of(url),
        "secret": secret if clear else "",
    }


def _place(webhook_id: int, owner_id: int, column: str) -> str:
    return f"cleanside webhook {webhook_id} of owner {owner_id}: {column}"


def opened(webhook: Webhook, file: KeyFile) -> Opened:
    """Address and secret of a webhook. Raises CannotOpen where it has to pause."""
    try:
        if webhook.sealed_url is None or webhook.sealed_secret is None:
            return _in_clear(webhook)
        keys = file.read()
        url, secret = (
            open_sealed(keys, sealed, _place(webhook.id, webhook.owner_id, column))
            for sealed, column in ((webhook.sealed_url, "url"), (webhook.sealed_secret, "secret"))
        )
        return Opened(webhook.id, webhook.owner_id, url, secret)
    except CannotOpen as error:
        if webhook.secret:  # the previous release may still run: nothing stops yet
            return _in_clear(webhook)
        raise _with_next_step(error, file) from error


def _in_clear(webhook: Webhook) -> Opened:
    if not webhook.secret:
        raise CannotOpen("webhook_secretless", code="altered")
    return Opened(webhook.id, webhook.owner_id, webhook.url, webhook.secret)


def _with_next_step(error: CannotOpen, file: KeyFile) -> CannotOpen:
    if error.code == "altered":
        return CannotOpen("webhook_altered", code="altered", why=str(error))
    if error.case == "sealed_with_another_key":
        key = error.values["key"]
        return CannotOpen("webhook_key_not_in_file", code=error.code, path=file.path, key=key)
    return error


def bring_along(connection: sa.Connection, file: KeyFile) -> Brought:
    """Encrypt webhooks in the clear or under an older key, and empty the clear columns where that is due."""
    rows = outbox.every(connection)
    clear = not releases.has_ended(connection, BEFORE)
    if not any(webhook.secret or webhook.ended_us is None for webhook in rows):
        return Brought()
    try:
        needed = any(webhook.sealed_secret is not None for webhook in rows if webhook.ended_us is None)
        wanted = any(webhook.ended_us is None for webhook in rows)
        keys = file.read_or_make(needed=needed) if wanted else ()
        trouble = None
    except CannotOpen as error:
        keys, trouble = (), error
    dialect.overwrite_freed(connection)
    changes = [(webhook, change) for webhook in rows if (change := _change(webhook, keys, file, clear))]
    for webhook, change in changes:
        outbox.keep_secrets(connection, webhook.id, change)
    emptied = sum(bool(webhook.secret) and not change["secret"] for webhook, change in changes)
    if emptied:
        audit.hide_addresses(connection)
    left = sum(w.ended_us is None and w.sealed_secret is None for w in rows) if trouble else 0
    encrypted = sum(change["sealed_secret"] is not None for _, change in changes)
    return Brought(encrypted, emptied, left, trouble if left else None)


def _change(
    webhook: Webhook, keys: Sequence[SealingKey], file: KeyFile, clear: bool
) -> dict[str, Any] | None:
    """New columns of a webhook; None where they are as they should be, or cannot be."""
    if webhook.ended_us is not None:  # it gets no deliveries any more
        ended = {"sealed_url": None, "sealed_secret": None, "secret": "", "url": origin_of(webhook.url)}
        return ended if not clear and (webhook.secret or webhook.sealed_secret) else None
    stays_clear = clear and bool(webhook.secret)
    under_first = bool(keys) and key_of(webhook.sealed_secret or "") == keys[0].id
    if not keys or (under_first and (stays_clear or not webhook.secret)):
        return None
    try:
        now = opened(webhook, file)
    except CannotOpen:
        return None  # it pauses, and the listing says so
    return at_rest(keys, now.id, now.owner_id, url=now.url, secret=now.secret, clear=stays_clear)


def state_of(wanted: Sequence[Webhook], file: KeyFile) -> object:
    """The input of a pass over webhooks: while it stays the same, another pass would change nothing."""
    try:
        keys = tuple(key.id for key in file.read())
    except CannotOpen:
        keys = ()
    return keys, tuple((webhook.id, key_of(webhook.sealed_secret or "")) for webhook in wanted)


def opened_and_paused(wanted: Sequence[Webhook], file: KeyFile) -> tuple[list[Opened], dict[int, str]]:
    """The webhooks that can be used, and for the others the reason, by number."""
    ready: list[Opened] = []
    paused: dict[int, str] = {}
    for webhook in wanted:
        try:
            ready.append(opened(webhook, file))
        except CannotOpen as error:
            paused[webhook.id] = str(error)
    return ready, paused


def say(brought: Brought) -> None:
    """Log a pass that changed something, or could not."""
    if brought.encrypted or brought.emptied:
        done = {"encrypted": brought.encrypted, "emptied": brought.emptied}
        log.warning("ingest.webhooks_encrypted", extra=done)
    if brought.trouble is not None:
        left = {"webhooks": brought.in_clear, "reason": str(brought.trouble)}
        log.warning("ingest.webhooks_in_clear", extra=left)
