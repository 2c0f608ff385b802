"""
Declare losses and damage until the server confirms them: the request, and what its answer means.

Promises: pure. Only an answer of the contract confirms. A server of the previous release does not know the
request: it gets these events with the readings, and a later request tries again.
Leaves to others: which events there are (`gateway.spool.unconfirmed`), when (`gateway.uplink.loop`).
"""

from __future__ import annotations

from collections.abc import Sequence

from cleanside.gateway.uplink.decision import BODY_HEADERS
from cleanside.gateway.uplink.transport import Outcome, Reply, Request
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    DeclaredEvent,
    decode_confirmed,
    encode_declared,
)

DECLARING_PATH = "/v1/declared-events"


def declaration(device: str, events: Sequence[DeclaredEvent]) -> Request:
    """The request that declares these events."""
    body = encode_declared(device, events)
    return Request(method="POST", path=DECLARING_PATH, headers=BODY_HEADERS, body=body)


def is_confirmed(outcome: Outcome, count: int) -> bool:
    """True where the server confirms that all `count` events are durable."""
    if not isinstance(outcome, Reply) or outcome.status != 200 or outcome.media_type != ANSWER_MEDIA_TYPE:
        return False
    try:
        return decode_confirmed(outcome.body) == count
    except ValueError:
        return False
