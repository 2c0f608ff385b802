"""
What a server that refuses the key of this gateway says, and the next step of a person.

Promises: pure; one text for the log, `status` and `doctor`.
Leaves to others: the wait after it (`gateway.uplink.decision`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

ENROL: Final = "cleanside-gateway enrol, with a one-time code from the shop"

#: code of a 401 or 403 -> what it means for this gateway, and the next step
_MEANING: Final[Mapping[str, tuple[str, str]]] = {
    "key_unknown": (
        "it was revoked, or is of another server",
        f"check uplink.server; if it is right, get a new key: {ENROL}",
    ),
    "key_expired": ("it has ended", f"get a new key: {ENROL}"),
    "key_suspended": (
        "since the server was restored from a backup it waits for somebody to confirm it",
        "have the server's administrator run there: cleanside-ingest keys confirm HANDLE",
    ),
    "key_not_for_device": (
        "it belongs to another device",
        f"check device in the settings; if it is right, get a key for it: {ENROL}",
    ),
}


def why_refused(code: str | None) -> str:
    """Why our server takes no key. code : of its problem report; None: it sent none."""
    if code is None:
        return "what answers may be a portal or a proxy"
    return _MEANING[code][0] if code in _MEANING else "it is no key of a device"


def step_for_key(code: str | None) -> str:
    """What a person does about it; parameters as for `why_refused`."""
    if code is None:
        return "check uplink.server and the network, then the key"
    return _MEANING[code][1] if code in _MEANING else f"get a key of this device: {ENROL}"
