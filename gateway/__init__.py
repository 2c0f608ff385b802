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
    from gateway.client import Client
    from gateway.clock import Anchor, Clock, SettableClock, SystemClock
    from gateway.errors import CalledWrongly, GatewayError, NeverAccepted, TryAgain
    from gateway.run import Gateway
    from gateway.settings import Settings
    from gateway.spool import Spool
    from gateway.spool_state import SpoolState, StreamState
    from gateway.transport import HttpTransport, NoAnswer, Reply, Request, Transport
    from gateway.uplink import Uplink
    from gateway.version import BUILT, VERSION
    from gateway.wire import Reading

_HOMES = {
    "Anchor": "clock",
    "BUILT": "version",
    "CalledWrongly": "errors",
    "Client": "client",
    "Clock": "clock",
    "Gateway": "run",
    "GatewayError": "errors",
    "HttpTransport": "transport",
    "NeverAccepted": "errors",
    "NoAnswer": "transport",
    "Reading": "wire",
    "Reply": "transport",
    "Request": "transport",
    "SettableClock": "clock",
    "Settings": "settings",
    "Spool": "spool",
    "SpoolState": "spool_state",
    "StreamState": "spool_state",
    "SystemClock": "clock",
    "Transport": "transport",
    "TryAgain": "errors",
    "Uplink": "uplink",
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
        raise AttributeError(f"module 'gateway' has no attribute {name!r}")
    return getattr(import_module(f"gateway.{_HOMES[name]}"), name)
