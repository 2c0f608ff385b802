"""
The link by which a person leaves: no more of one kind of message, without signing in.

Promises: pure. The link holds person and kind, and a tag that only a holder of the server's keys can make
(HMAC-SHA256, RFC 2104); nothing of it is stored, so nothing of it can be read from the database. It stays
good while its key is in the file: `webhooks prune-keys` ends the links of older keys.
Leaves to others: the keys (`ingest.store.key_file`), the page (`ingest.console.leave_page`).
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence
from typing import Any, NamedTuple

from cleanside.ingest.store.message_choices import NO_DIGEST, MessageChoices
from cleanside.ingest.store.messages import DIGEST, TEST
from cleanside.ingest.store.sealing import SealingKey

LEAVE_PATH = "/messages/leave"
_TAG_HEX = 32  # 128 bits


class Leaving(NamedTuple):
    """Who leaves what."""

    #: handle of the person
    handle: str
    #: kind of message
    kind: str


def link_of(pages: str, key: SealingKey, leaving: Leaving) -> str:
    """The address under which one leaves. pages : where people open the pages."""
    return f"{pages}{LEAVE_PATH}?code={code_of(key, leaving)}"


def code_of(key: SealingKey, leaving: Leaving) -> str:
    """What the link holds."""
    return ".".join((*leaving, _tag(key, leaving)))


def read(code: str, keys: Sequence[SealingKey]) -> Leaving | None:
    """Who leaves what; None: the code is none of ours, or of a key that is gone."""
    handle, _, rest = code.partition(".")
    kind, _, tag = rest.partition(".")
    leaving = Leaving(handle, kind)
    fits = [hmac.compare_digest(_tag(key, leaving).encode(), tag.encode()) for key in keys]
    return leaving if any(fits) else None


def without(chosen: MessageChoices, kind: str) -> dict[str, Any]:
    """What a person's choices become as they leave a kind of message; a test message: all kinds."""
    if kind == TEST:
        return {"digest": NO_DIGEST, "alerts": []}
    if kind == DIGEST:
        return {"digest": NO_DIGEST}
    return {"alerts": sorted(chosen.alerts - {kind})}


def _tag(key: SealingKey, leaving: Leaving) -> str:
    said = "\n".join(("cleanside: leave", *leaving)).encode()
    return hmac.new(key.secret, said, hashlib.sha256).hexdigest()[:_TAG_HEX]
