"""
Tell the service manager that the gateway runs: ready, alive, stopping, not done yet (sd_notify(3)).

Promises: without a service manager nothing happens; a manager that cannot be reached never stops the gateway.
Leaves to others: deciding that it is alive (`gateway.commands.run`).
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

READY: Final = "READY=1"
ALIVE: Final = "WATCHDOG=1"
STOPPING: Final = "STOPPING=1"


class Notifier:
    """The way to the service manager, if there is one."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the zero byte of Linux' abstract names.
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        span_us = environ.get("WATCHDOG_USEC", "")
        #: how often to say that we are alive [s]: twice in the span the manager allows; None: it does not ask
        self.alive_every_s = int(span_us) / 2e6 if span_us.isdecimal() and int(span_us) else None

    def extend(self, seconds: float) -> None:
        """Ask for at least so much more time to start or stop, whatever the unit's own limit is."""
        self.tell(f"EXTEND_TIMEOUT_USEC={round(seconds * 1e6)}")

    def tell(self, message: str) -> None:
        """Send one message."""
        if not self._address:
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as way:
            way.connect(self._address)
            way.send(message.encode())
