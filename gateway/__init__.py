"""
The edge program: a durable spool, and an uplink that empties it.

What others may use: a `Spool` and its states, the clocks, the `Gateway` that wires sources, spool and
uplink, its `Settings`, and the transports. Promises: importing this package loads nothing; a name loads its
module when it is first asked for, so that the server can use `gateway.wire` without the edge's libraries.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cleanside.gateway.client.client import Client
    from cleanside.gateway.commands.run import Gateway
    from cleanside.gateway.errors import CalledWrongly, GatewayError, NeverAccepted, TryAgain
    from cleanside.gateway.settings import Settings
    from cleanside.gateway.spool.queue import Spool
    from cleanside.gateway.spool.state import SpoolState, StreamState
    from cleanside.gateway.timing.clock import Anchor, Clock, SettableClock, SystemClock
    from cleanside.gateway.uplink.loop import Uplink
    from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Reply, Request, Transport
    from cleanside.gateway.version import BUILT, VERSION
    from cleanside.gateway.wire import Reading

_HOMES = {
    "Anchor": "timing.clock",
    "BUILT": "version",
    "CalledWrongly": "errors",
    "Client": "client.client",
    "Clock": "timing.clock",
    "Gateway": "commands.run",
    "GatewayError": "errors",
    "HttpTransport": "uplink.transport",
    "NeverAccepted": "errors",
    "NoAnswer": "uplink.transport",
    "Reading": "wire",
    "Reply": "uplink.transport",
    "Request": "uplink.transport",
    "SettableClock": "timing.clock",
    "Settings": "settings",
    "Spool": "spool.queue",
    "SpoolState": "spool.state",
    "StreamState": "spool.state",
    "SystemClock": "timing.clock",
    "Transport": "uplink.transport",
    "TryAgain": "errors",
    "Uplink": "uplink.loop",
    "VERSION": "version",
}

__all__ = [
    "BUILT",
    "VERSION",
    "Anchor",
    "CalledWrongly",
    "Client",
    "Clock",
    "Gateway",
    "GatewayError",
    "HttpTransport",
    "NeverAccepted",
    "NoAnswer",
    "Reading",
    "Reply",
    "Request",
    "SettableClock",
    "Settings",
    "Spool",
    "SpoolState",
    "StreamState",
    "SystemClock",
    "Transport",
    "TryAgain",
    "Uplink",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'cleanside.gateway' has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
