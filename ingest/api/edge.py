"""
The outermost layer of the app: what every request and every answer goes through.

Promises: every answer has a request id (the caller's own, where it is a sane one) and the headers that keep
browsers out; no body is larger than the limit, whatever its header states; an unexpected error has the one
error shape; each request is counted, and logged if the settings say so, with the handle of its key and never
more.
Leaves to others: what a request means (the routes).
"""

from __future__ import annotations

import itertools
import logging
import re
import secrets
import time
from collections.abc import Callable, Iterable, Mapping

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cleanside.gateway.wire import MAX_BODY_BYTES
from cleanside.ingest import log as logs
from cleanside.ingest.api import problems
from cleanside.ingest.api.routes.services import services_in
from cleanside.ingest.intake.arriving import Arriving, declared_bytes
from cleanside.ingest.intake.head_fields import field, fields_of
from cleanside.ingest.metrics import Metrics

log = logging.getLogger("cleanside.ingest")

#: in place of a status: the client was gone before its body had come. Links break; nothing is wrong here.
CUT_OFF_STATUS = "cut_off"

#: the form of a caller's own request id; any other is replaced by one of ours
_SANE_ID = re.compile(rb"[A-Za-z0-9._-]{8,64}")

#: Headers of every answer, in the form of the protocol, because every request needs them.
HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
]
#: RFC 6797 section 7.2: never over plain HTTP
HEADERS_OVER_TLS = [*HEADERS, (b"strict-transport-security", b"max-age=31536000")]


class Edge:
    """Request id, common headers, limits, the last resort, a count and a line of each request."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        limits: Mapping[str, int],
        metrics: Metrics,
        access_log: bool = False,
        monotonic_s: Callable[[], float] = time.perf_counter,
    ) -> None:
        """limits : path -> bytes, of bodies there; else as of a batch. access_log : one line a request."""
        self._app = app
        self._limits = limits
        self._metrics = metrics
        self._access_log = access_log
        self._monotonic_s = monotonic_s
        # Unique without asking the system for randomness each time: that costs a request its turn.
        self._run = secrets.token_hex(4)
        self._numbers = itertools.count(1)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began_s = self._monotonic_s()
        request_id = self._id_of(scope)
        state = scope.setdefault("state", {})
        state["request_id"] = request_id
        arriving = state["arriving"] = self._arriving(scope)
        status = 0

        async def send_with_headers(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                arriving.is_answered, status = True, message["status"]
                own = message.get("headers", ())
                message["headers"] = [
                    *own,
                    (b"request-id", request_id.encode()),
                    *_database_of(scope),
                    *_common(own, is_tls=scope["scheme"] == "https"),
                ]
                if (expires := scope["state"].get("key_expires")) is not None:
                    message["headers"].append((b"key-expires", expires.encode()))
            await send(message)

        try:
            await self._app(scope, _limited(arriving, receive), send_with_headers)
        except ClientDisconnect:
            if not arriving.cut_off:
                raise
        except Exception as error:
            if status:  # too late for an answer: the server cuts the connection
                raise
            await problems.broken(Request(scope), error)(scope, receive, send_with_headers)
        finally:
            arriving.end()
            self._count(scope, CUT_OFF_STATUS if arriving.cut_off else status, self._monotonic_s() - began_s)
            if arriving.cut_off:
                self._tell_cut_off(scope, arriving)

    def _arriving(self, scope: Scope) -> Arriving:
        is_chunked = b"transfer-encoding" in fields_of(scope)
        return Arriving(
            limit_bytes=self._limits.get(scope["path"], MAX_BODY_BYTES),
            declared_bytes=declared_bytes(field(scope, b"content-length"), is_chunked=is_chunked),
        )

    def _id_of(self, scope: Scope) -> str:
        given = fields_of(scope).get(b"request-id")
        if given is not None and _SANE_ID.fullmatch(given):
            return str(given.decode())
        return f"{self._run}{next(self._numbers):08x}"

    @staticmethod
    def _tell_cut_off(scope: Scope, arriving: Arriving) -> None:
        fields = {
            "request_id": scope["state"]["request_id"],
            "method": scope["method"],
            "route": getattr(scope.get("route"), "path_format", None),
            "came_bytes": arriving.came_bytes,
            "declared_bytes": arriving.declared_bytes,
        }
        log.info(logs.CUT_OFF, extra=fields)

    def _count(self, scope: Scope, status: int | str, seconds: float) -> None:
        route = getattr(scope.get("route"), "path_format", None)
        self._metrics.request(scope["method"], route, status, seconds)
        if self._access_log:
            key = scope["state"].get("key")
            fields = {
                "request_id": scope["state"]["request_id"],
                "method": scope["method"],
                "route": route,
                "status": status,
                "duration_ms": round(seconds * 1000, 2),
                "key": None if key is None else key.handle,
                "owner": None if key is None else key.owner_id,
            }
            log.info(logs.REQUEST, extra=fields)


def _database_of(scope: Scope) -> list[tuple[bytes, bytes]]:
    """The id of the database; a restore renews it, and gateways then compare their marks."""
    resources = services_in(scope["app"]).opened
    return [] if resources is None else [resources.database_header]


def _common(own: Iterable[tuple[bytes, bytes]], *, is_tls: bool) -> list[tuple[bytes, bytes]]:
    """What every answer carries, but for what it says itself: a page has another policy than an answer."""
    common, said = HEADERS_OVER_TLS if is_tls else HEADERS, {name for name, _ in own}
    return [header for header in common if header[0] not in said]


def _limited(arriving: Arriving, receive: Receive) -> Receive:
    """Receive, until the body is over the limit, whatever its header states."""

    async def receive_limited() -> Message:
        if arriving.is_too_large:
            raise HTTPException(413, str(arriving.limit_bytes))
        message = await receive()
        if message["type"] == "http.disconnect":
            arriving.client_gone()
            return message
        arriving.came(len(message.get("body", b"")), more=message.get("more_body", False))
        if arriving.is_too_large:
            raise HTTPException(413, str(arriving.limit_bytes))
        return message

    return receive_limited
