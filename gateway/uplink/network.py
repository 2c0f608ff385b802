"""
Checks every few seconds, at next to no cost, whether the network has come back while the link fails.

Two checks: the kernel's files on interfaces, addresses and routes (no traffic), and now and then whether the
server's port accepts a connection, for a machine with an external modem: there the interface stays up without
coverage. A check finds a change, not a state: a server that accepts connections and no requests causes no
early try.
Promises: never raises. Leaves to others: the early try (`gateway.uplink.loop`).

Tried and dropped: the kernel's own messages (rtnetlink(7)). They need one more address family in the unit,
are missing in a container without it, and save two seconds.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol
from urllib.parse import urlsplit

REACH_EVERY_S: Final = 15.0  # some 100 bytes each, and none where there is no coverage; chosen
_REACH_WITHIN_S: Final = 3.0

#: interface, and a route's destination and gateway, an address, or "up"
Way = tuple[str, ...]


class Network(Protocol):
    """The check of the network while the link fails."""

    def came_back(self) -> bool:
        """True if there is a route, address or interface now that the last check did not find."""


class SystemNetwork:
    """The network of a Linux machine."""

    def __init__(
        self,
        server: str,
        *,
        now_us: Callable[[], int],
        reach_every_s: float = REACH_EVERY_S,
        root: Path = Path("/"),
    ) -> None:
        """server : its address as in the settings. now_us : a clock that only rises. root : of proc, sys."""
        parts = urlsplit(server)
        self._host = parts.hostname or ""
        self._port = parts.port or (443 if parts.scheme == "https" else 80)
        self._now_us = now_us
        self._reach_every_us = round(reach_every_s * 1e6)
        self._root = root
        self._ways = ways(root)
        self._reached_us = now_us()
        self._is_reached = True  # until a check finds none: only a change counts

    def came_back(self) -> bool:
        """True if there is a route, address or interface now that the last check did not find."""
        before, self._ways = self._ways, ways(self._root)
        if self._ways - before:
            return True
        if self._now_us() - self._reached_us < self._reach_every_us:
            return False
        was_reached, self._is_reached = self._is_reached, self._reach()
        self._reached_us = self._now_us()
        return self._is_reached and not was_reached

    def _reach(self) -> bool:
        try:
            socket.create_connection((self._host, self._port), timeout=_REACH_WITHIN_S).close()
        except (OSError, UnicodeError):
            return False
        return True


def ways(root: Path) -> frozenset[Way]:
    """Routes, addresses and interfaces in the kernel's files; empty where there are no such files."""
    return frozenset({*_routes(root / "proc/net/route"), *_addresses(root / "proc/net/if_inet6"), *_up(root)})


def _routes(file: Path) -> list[Way]:
    """Interface, destination, gateway (proc_net(5)); without the counters."""
    return [tuple(words[:3]) for words in _table(file)[1:] if len(words) > 3]


def _addresses(file: Path) -> list[Way]:
    """Interface and address of IPv6, once fit for use: a tentative one is not (RFC 4862 section 5.4)."""
    found: list[Way] = []
    for words in _table(file):
        if len(words) > 5 and not int(words[4], 16) & 0x40:  # IFA_F_TENTATIVE of <linux/if_addr.h>
            found.append((words[5], words[0]))
    return found


def _up(root: Path) -> list[Way]:
    """Interfaces that can pass data (RFC 2863, ifOperStatus)."""
    found: list[Way] = []
    with suppress(OSError):
        for folder in sorted((root / "sys/class/net").iterdir()):
            with suppress(OSError):
                if (folder / "operstate").read_text().strip() == "up":
                    found.append((folder.name, "up"))
    return found


def _table(file: Path) -> list[list[str]]:
    with suppress(OSError, UnicodeError):
        return [line.split() for line in file.read_text().splitlines()]
    return []
