"""
One try of sending an event to a webhook: by the courier, or at once because a person asks.

Promises: a try has a hard time limit, follows no redirect and reads no body. It goes to an allowed address
alone, looked up for this try.
Leaves to others: when (`ingest.webhooks.courier`, `ingest.webhooks.trial`), allowed addresses
(`ingest.webhooks.addresses`).
"""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import httpx

from cleanside.ingest.store.delivery_failures import Failure
from cleanside.ingest.store.outbox import Delivery
from cleanside.ingest.store.webhook_secrets import Opened
from cleanside.ingest.webhooks.addresses import Network, Resolve, by_system
from cleanside.ingest.webhooks.looking_up import looked_up
from cleanside.ingest.webhooks.signing import envelope, signed_headers
from cleanside.ingest.webhooks.try_failures import failure_of

TRY_S = 10.0  # of one delivery, from look-up to the head of the answer; chosen


@dataclass(frozen=True, slots=True)
class Taken:
    """A try that the receiver took."""

    #: of HTTP, 200 to 299
    status: int


@dataclass(frozen=True, slots=True)
class Failed:
    """A try that failed."""

    why: Failure
    #: as the receiver asked; None: it did not
    retry_after_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """Where and how events may be sent."""

    allowed: Sequence[Network]
    #: now [us since 1970]
    clock: Callable[[], int]
    resolve: Resolve = by_system
    #: certificates to trust, True: those of the system and of the package certifi
    verify: ssl.SSLContext | bool = True

    def client(self, most: int = 1) -> httpx.AsyncClient:
        """A client for at most so many tries at the same time."""
        return httpx.AsyncClient(
            verify=usual_authorities() if self.verify is True else self.verify,
            follow_redirects=False,
            trust_env=False,
            timeout=TRY_S,
            limits=httpx.Limits(max_connections=most, max_keepalive_connections=0),
            headers={"User-Agent": "cleanside-webhook"},
        )

    async def try_once(self, http: httpx.AsyncClient, webhook: Opened, delivery: Delivery) -> Taken | Failed:
        """Send one event, within `TRY_S`."""
        try:
            return await asyncio.wait_for(self._send(http, webhook, delivery), TRY_S)
        except (TimeoutError, httpx.TimeoutException):
            return Failed(Failure("no_answer", {"seconds": TRY_S}))
        except (ValueError, OSError, httpx.HTTPError, httpx.InvalidURL) as error:
            return Failed(failure_of(error, webhook.url))

    async def _send(self, http: httpx.AsyncClient, webhook: Opened, delivery: Delivery) -> Taken | Failed:
        """One try. Raises ValueError for an address that is not allowed."""
        target = await looked_up(webhook.url, self.allowed, self.resolve)
        content = envelope(delivery)
        headers = signed_headers(
            content,
            url=webhook.url,
            secret=webhook.secret,
            key_id=f"webhook-{webhook.id}",
            created_s=self.clock() // 1_000_000,
        )
        name = target.host.rpartition("@")[2]
        request = http.build_request("POST", target.connect_url, content=content, headers=headers)
        request.headers["Host"] = name
        request.extensions["sni_hostname"] = _name_only(name)
        response = await http.send(request, stream=True)
        try:  # only the head is read: a body may be anything, of any length
            if response.is_success:
                return Taken(response.status_code)
            why = Failure("status", {"status": response.status_code})
            return Failed(why, _seconds(response.headers.get("Retry-After")))
        finally:
            await response.aclose()


def usual_authorities() -> ssl.SSLContext:
    """
    The system's (or those of SSL_CERT_FILE, as OpenSSL reads it), with those of certifi.

    The system's, because a receiver inside a private network has its certificate from an authority there.
    """
    context = httpx.create_ssl_context(trust_env=False)  # those of certifi
    context.load_default_certs()
    return context


def _name_only(netloc: str) -> str:
    """The host of host:port, as certificates have it."""
    return httpx.URL(f"https://{netloc}").host


def _seconds(value: str | None) -> float | None:
    return float(value) if value is not None and value.isascii() and value.isdecimal() else None
