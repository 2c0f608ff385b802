"""
The link by which a person confirms an address: sent there, and good once.

Promises: pure. The link holds the person, its end, and a tag over these and the address that only a holder of
the server's keys can make (HMAC-SHA256, RFC 2104). Nothing of it is stored, so nothing of it can be read from
the database. It is over once it was used, another address was entered, or its time has come.
Leaves to others: the keys (`ingest.store.key_file`), the page (`ingest.console.confirm_address_page`).
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Sequence

from cleanside.ingest.store.message_choices import MessageChoices
from cleanside.ingest.store.sealing import SealingKey

CONFIRM_PATH = "/messages/address"
GOOD_FOR_US = 3 * 86_400_000_000  # chosen: a weekend
MOST_A_DAY = 5  # links that a person may have sent; chosen: no mailbox is filled with them
_TAG_HEX = 32  # 128 bits


def link_of(pages: str, key: SealingKey, handle: str, chosen: MessageChoices) -> str:
    """The address under which one confirms. pages : where people open the pages."""
    return f"{pages}{CONFIRM_PATH}?code={code_of(key, handle, chosen)}"


def code_of(key: SealingKey, handle: str, chosen: MessageChoices) -> str:
    """What the link holds."""
    return f"{handle}.{_tag(key, handle, chosen)}"


def handle_of(code: str) -> str:
    """The person that a link names; nothing proves it yet."""
    return code.partition(".")[0]


def confirms(code: str, keys: Sequence[SealingKey], handle: str, chosen: MessageChoices, now_us: int) -> bool:
    """True where a link confirms the address of a person that waits."""
    if not chosen.new_address or chosen.new_until_us is None or now_us >= chosen.new_until_us:
        return False
    given = code.partition(".")[2].encode()
    fits = [hmac.compare_digest(_tag(key, handle, chosen).encode(), given) for key in keys]
    return any(fits)


def _tag(key: SealingKey, handle: str, chosen: MessageChoices) -> str:
    said = "\n".join(("cleanside: address", handle, chosen.new_address, str(chosen.new_until_us)))
    return hmac.new(key.secret, said.encode(), hashlib.sha256).hexdigest()[:_TAG_HEX]
