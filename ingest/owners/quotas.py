"""
How much one key may request, and how often one address may try without a valid key.

Promises: a token bucket for each: a steady rate, and `BURST_S` seconds of it saved up. So a gateway that
returns with a backlog passes, and a client in an endless loop does not. Memory is bounded: full buckets are
dropped, and addresses beyond the bound share one bucket. Costs a look-up and a few sums.
Leaves to others: the size of one request (`gateway.wire`, `ingest.api.app.Edge`, `ingest.intake.bodies`),
how many may wait for the disk (`ingest.writer.writer`). Used from the event loop alone, hence no lock.
"""

from __future__ import annotations

import ipaddress
import math
import time
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from cleanside.ingest.errors import Refused

H = TypeVar("H", bound=Hashable)

BURST_S = (
    20.0  # chosen: 10 000 requests at the default rate, a year's backlog of one machine in batches of 500
)
LATEST_S = (
    120  # the longest Retry-After: a machine should not be silent for longer; as in ingest.writer.lanes
)
MAX_BUCKETS = 10_000  # keys or addresses remembered, some 2 MB; chosen
IPV6_PREFIX = 64  # bits: the prefix of one subscriber (RFC 6177), within which addresses are free


class Buckets(Generic[H]):
    """Token buckets by name, full at first. Rates are per second; a rate of 0 means no limit."""

    def __init__(
        self,
        rate_per_s: float,
        *,
        burst: float,
        most: int = MAX_BUCKETS,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """burst : tokens of a full bucket. most : buckets in memory; further names share one."""
        self._rate_per_s = rate_per_s
        self._burst = burst
        self._most = most
        self._monotonic_s = monotonic_s
        #: name -> tokens at an instant
        self._levels: dict[H | None, tuple[float, float]] = {}

    def __len__(self) -> int:
        return len(self._levels)

    def wait_s(self, name: H) -> float:
        """How long until there is a token in the bucket [s]; 0: there is."""
        if not self._rate_per_s:
            return 0.0
        level = self._level(self._known(name), self._monotonic_s())
        return 0.0 if level >= 1 else (1 - level) / self._rate_per_s

    def take(self, name: H, tokens: float) -> float:
        """
        Take tokens out if there is one in the bucket; returns 0, or how long to wait [s].

        A bucket may go below 0 by one request, so that one larger than the bucket still passes.
        """
        if not self._rate_per_s:
            return 0.0
        now_s = self._monotonic_s()
        place = self._known(name)
        level = self._level(place, now_s)
        if level < 1:
            return (1 - level) / self._rate_per_s
        self._levels[place] = (level - tokens, now_s)
        return 0.0

    def give_back(self, name: H, tokens: float) -> None:
        """Put unused tokens back, up to the size of the bucket. Below 0: take more, whatever is in it."""
        if not self._rate_per_s:
            return
        now_s, place = self._monotonic_s(), self._known(name)
        self._levels[place] = (min(self._burst, self._level(place, now_s) + tokens), now_s)

    def _level(self, place: H | None, now_s: float) -> float:
        level = self._levels.get(place)
        if level is None:
            return self._burst
        return min(self._burst, level[0] + (now_s - level[1]) * self._rate_per_s)

    def _known(self, name: H) -> H | None:
        """The name, or None where there are too many: the bucket that all further names share."""
        if name in self._levels or len(self._levels) < self._most:
            return name
        now_s = self._monotonic_s()
        full = [place for place in self._levels if self._level(place, now_s) >= self._burst]
        for place in full:
            del self._levels[place]
        return name if len(self._levels) < self._most else None


class Limits:
    """The limits of one server process."""

    def __init__(
        self,
        *,
        key_requests_per_s: float,
        key_bytes_per_s: float,
        address_tries_per_minute: float,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """0: no limit."""
        self._requests: Buckets[int] = Buckets(
            key_requests_per_s, burst=key_requests_per_s * BURST_S, monotonic_s=monotonic_s
        )
        self._bytes: Buckets[int] = Buckets(
            key_bytes_per_s, burst=key_bytes_per_s * BURST_S, monotonic_s=monotonic_s
        )
        # Apart: a box with an old key must not keep who stands beside it from enrolling or signing in.
        self._tries: Buckets[str] = Buckets(
            address_tries_per_minute / 60, burst=address_tries_per_minute, monotonic_s=monotonic_s
        )
        self._key_tries: Buckets[str] = Buckets(
            address_tries_per_minute / 60, burst=address_tries_per_minute, monotonic_s=monotonic_s
        )

    def spend(self, key_id: int, body_bytes: int) -> None:
        """
        Count a request of a key. Raises Refused (429) where the key is over its quota.

        body_bytes : reserved before the body is read; `give_back` returns unread ones.
        """
        wait_s = self._requests.take(key_id, 1.0)
        if wait_s:
            raise over_quota("key_requests_spent", wait_s)
        wait_s = self._bytes.take(key_id, body_bytes)
        if wait_s:
            raise over_quota("key_bytes_spent", wait_s)

    def give_back(self, key_id: int, unread_bytes: int) -> None:
        """Return so many unread bytes to a key."""
        self._bytes.give_back(key_id, unread_bytes)

    def charge(self, key_id: int, further_bytes: int) -> None:
        """Charge a key for work that its request turned out to be; its next request waits for it."""
        self._bytes.give_back(key_id, -further_bytes)

    def may_try(self, host: str | None) -> None:
        """Raises Refused (429) where an address has tried codes or passwords too often in vain."""
        wait_s = self._tries.wait_s(address_of(host))
        if wait_s:
            raise over_quota("address_tries_spent", wait_s)

    def tried_in_vain(self, host: str | None) -> None:
        """Count a try of an address that had no valid code or password."""
        self._tries.take(address_of(host), 1.0)

    def may_show_key(self, host: str | None) -> None:
        """Raises Refused (429) where an address has shown too many keys that are not valid."""
        wait_s = self._key_tries.wait_s(address_of(host))
        if wait_s:
            raise over_quota("address_tries_spent", wait_s)

    def showed_wrong_key(self, host: str | None) -> None:
        """Count a key of an address that is not valid. Raises Refused (429) as `may_show_key`."""
        self.may_show_key(host)
        self._key_tries.take(address_of(host), 1.0)


def over_quota(limit: str, wait_s: float) -> Refused:
    """The answer to a client over a limit, with when to come back. limit : a code of `error_texts`."""
    retry_s = min(max(1, math.ceil(wait_s)), LATEST_S)
    headers = {"Retry-After": str(retry_s)}
    return Refused(limit, status=429, code="over_quota", headers=headers, retry_s=retry_s)


def address_of(host: str | None) -> str:
    """The name that counts as one address: an IPv4 address, or the network of an IPv6 subscriber. Pure."""
    try:
        address = ipaddress.ip_address((host or "").partition("%")[0])
    except ValueError:
        return "unknown"
    if address.version == 4:
        return str(address)
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    return str(ipaddress.ip_network((address, IPV6_PREFIX), strict=False).network_address)
