"""
One connection of a client: bounds and refusals before the app sees a request.

Promises: bytes that have not become a request are bounded, by connection and all together; so are the fields
of a head, the requests waiting on one connection, the time for head and body, and the connections that one
address has without a valid key. A refusal is a problem like any other, then the connection closes; no
answer is sent out of turn. Trailer fields never become header fields.
Leaves to others: the rules (`ingest.api.http_rules`), bodies (`ingest.api.edge`), TLS handshakes (the event
loop ends each after 60 s), how many files the system lets a process open.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
import logging
import secrets
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from http import HTTPStatus
from typing import Any

import httptools
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol, RequestResponseCycle

from cleanside.gateway.wire import MAX_BODY_BYTES, PROBLEM_MEDIA_TYPE
from cleanside.ingest.api import edge, problems
from cleanside.ingest.api.http_rules import (
    LARGE_FRAMING,
    LARGE_HEAD,
    MALFORMED,
    MAX_HEAD_BYTES,
    NO_ROOM,
    TOO_MANY,
    TOO_MANY_WAITING,
    TOO_SLOW,
    Fault,
    fault_of_head,
    is_late,
    is_padded,
)
from cleanside.ingest.owners.quotas import address_of

log = logging.getLogger("cleanside.ingest")

MAX_HEADS_BYTES = 16 * 2**20  # of incomplete heads, all together; nearly all arrive in one piece. Chosen
MAX_PIPELINED = 8  # requests that wait behind the one being answered; chosen, hardly a client sends any
IDLE_S = 5  # between two requests; a gateway that posts more rarely connects again
LINGER_S = 5.0  # RFC 9112 section 9.6: a client must be able to read why before its bytes are answered by RST
LINGER_BYTES = 256 * 1024  # read and dropped meanwhile
#: Of a refused body, read and dropped for who has a valid key: many clients read an answer only after they
#: have sent all (RFC 9110 section 15.5.14, RFC 9112 section 9.6). Without a key: `MAX_BODY_BYTES`. Chosen.
MAX_DROPPED_BYTES = 64 * 2**20
STUCK_S = 300.0  # how long a client may leave a full socket unread before its answer is dropped; chosen


class _EndedHere(Exception):
    """Stops the parser; the connection knows why."""


class Bounds:
    """The bounds that the connections of a process share. Used from the event loop alone, hence no lock."""

    def __init__(
        self,
        *,
        address_connections: int,
        request_wait_s: float,
        trusted: Sequence[str] = (),
        refused: Callable[[str], None] | None = None,
    ) -> None:
        """
        address_connections : without a valid key, of one address; 0: no limit. request_wait_s : for a head.

        trusted : addresses and networks of proxies, "*" means all: not counted.
        refused : called with the code of each refusal.
        """
        self.request_wait_s = request_wait_s
        self._refused = refused
        self.heads_bytes = 0
        self._most = address_connections
        self._everybody = "*" in trusted
        self._networks = [ipaddress.ip_network(each) for each in trusted if each != "*"]
        self._open: Counter[str] = Counter()

    def enter(self, host: str | None) -> str | None:
        """
        Count a connection. Returns the name it counts under, None where it does not; raises OverflowError.
        """
        if not self._most or self._everybody or (self._networks and self._is_trusted(host or "")):
            return None
        address = address_of(host)
        if self._open[address] >= self._most:
            raise OverflowError(address)
        self._open[address] += 1
        return address

    def refused(self, code: str) -> None:
        """Note a refused connection."""
        if self._refused is not None:
            self._refused(code)

    def leave(self, address: str) -> None:
        """Stop counting it: it has shown a valid key, or is gone."""
        self._open[address] -= 1
        if not self._open[address]:
            del self._open[address]

    def _is_trusted(self, host: str) -> bool:
        try:
            address = ipaddress.ip_address(host)
        except ValueError:
            return False
        return any(address in network for network in self._networks)


class _OfAnswer:
    """
    The transport as an answer sees it: closed when the connection says so.

    The head of an answer waits for what follows in the same turn of the loop, nearly always all of it: two
    pieces cost the system twice the work of one, and wake the client twice.
    """

    __slots__ = ("_call_soon", "_close", "_head", "_is_begun", "_write", "is_closing")

    def __init__(
        self, transport: asyncio.Transport, loop: asyncio.AbstractEventLoop, close: Callable[[], None]
    ) -> None:
        self._write = transport.write
        self._call_soon = loop.call_soon
        self._close = close
        self._head, self._is_begun = b"", False
        self.is_closing = transport.is_closing

    def write(self, data: bytes) -> None:
        """Write a piece of the answer."""
        if not self._is_begun:
            self._head, self._is_begun = data, True
            self._call_soon(self._flush)
        elif self._head:
            head, self._head = self._head, b""
            self._write(head + data)
        else:
            self._write(data)

    def _flush(self) -> None:
        if self._head:
            head, self._head = self._head, b""
            self._write(head)

    def close(self) -> None:
        """Close after the answer."""
        self._flush()
        self._close()


class Connection(HttpToolsProtocol):
    """HTTP/1.1 of one client, bounded."""

    def __init__(self, bounds: Bounds, **of_the_server: Any) -> None:
        super().__init__(**of_the_server)
        self._bounds = bounds
        #: the name it counts under; None: not, or no longer
        self._address: str | None = None
        self._fault: Fault | None = None
        #: since when it waits for a head, a body or the end
        self._since_s = 0.0
        #: bytes that are part of something incomplete: a head, trailers, a chunk's first line
        self._unread_bytes = 0
        self._held_bytes = 0
        self._body_bytes = 0
        #: since the head, with what frames the body
        self._sent_bytes = 0
        self._in_body = False
        self._deaf = False
        self._lingering = False
        #: answered, with "Connection: close"; the rest of the body comes first
        self._closes = False
        self._dropped_bytes = 0
        self._unsent: tuple[int, float] = (0, 0.0)

    # ------------------------------------------------------------ called by the transport

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Count it, or refuse it."""
        super().connection_made(transport)
        self._since_s = self.loop.time()
        try:
            self._address = self._bounds.enter(self.client[0] if self.client else None)
        except OverflowError:
            self._refuse(TOO_MANY)
            transport.close()  # it may not wait to be read: that would be a connection more

    def connection_lost(self, exc: Exception | None) -> None:
        """Free the resources of the connection."""
        self._leave()
        self._hold(0)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Bytes of requests, or bytes that are ignored by now."""
        self._unset_keepalive_if_required()
        if self._deaf:
            self._drop(len(data))
            return
        self._unread_bytes += len(data)
        self._sent_bytes += len(data)
        try:
            self.parser.feed_data(data)
        except httptools.HttpParserUpgrade:
            self._deaf = True  # RFC 9110 section 7.8: it may be ignored; the answer closes the connection
        except httptools.HttpParserError:
            self._refuse(self._fault or MALFORMED)
        framing_bytes = self._sent_bytes - self._body_bytes
        if self._in_body and not self._deaf and is_padded(framing_bytes, self._body_bytes):
            self._refuse(LARGE_FRAMING)
        if self._unread_bytes != self._held_bytes and not self._deaf:
            self._bound_unread()

    def shutdown(self) -> None:
        """The server stops."""
        if self._lingering:
            self.transport.close()
        else:
            super().shutdown()

    # ------------------------------------------------------------ called by the parser

    def on_headers_complete(self) -> None:
        """A head is whole: refuse it, or start the request."""
        self._fault = fault_of_head(self.parser.get_http_version(), self.url, self.headers)
        if self._fault is None and len(self.pipeline) >= MAX_PIPELINED:
            self._fault = TOO_MANY_WAITING
        if self._fault is not None:
            raise _EndedHere
        super().on_headers_complete()
        answering = _OfAnswer(self.transport, self.loop, self._close_once_read)
        self.cycle.transport = answering  # type: ignore[assignment]  # all that an answer uses of it
        self.headers = []  # RFC 9110 section 6.5.1: a trailer field must not become a header field
        if self.parser.should_upgrade():
            self.cycle.keep_alive = False
        self._in_body, self._body_bytes, self._sent_bytes, self._unread_bytes = True, 0, 0, 0
        self._since_s = self.loop.time()

    def on_body(self, body: bytes) -> None:
        """Part of a body; of a request that was answered already it is dropped."""
        self._unread_bytes = 0
        self._body_bytes += len(body)
        if self.cycle.response_complete:
            self._drop(len(body))
        super().on_body(body)

    def on_message_complete(self) -> None:
        """A request is whole."""
        self._in_body, self._unread_bytes = False, 0
        super().on_message_complete()
        if self._closes:
            self.transport.close()

    def on_response_complete(self) -> None:
        """A request is answered."""
        self._since_s = self.loop.time()
        self._dropped_bytes = 0
        self._note_key()
        super().on_response_complete()

    # ------------------------------------------------------------ bounds

    def look(self, now_s: float, since_last_s: float) -> None:
        """End what takes too long. Called for each connection now and then."""
        self._note_key()
        if self._is_stuck(now_s) or (self._lingering and now_s - self._since_s > LINGER_S):
            self.transport.abort()
            return
        if self._deaf or self.transport.is_closing():
            return
        waited_s, wait_s = now_s - self._since_s, self._bounds.request_wait_s
        if not self._is_answering():
            if is_late(waited_s, wait_s):
                self._refuse(TOO_SLOW)
        elif self._in_body:
            if self.flow.read_paused or self.pipeline:  # then the client waits for us
                self._since_s += since_last_s
            elif is_late(waited_s, wait_s, self._body_bytes):
                self._refuse(TOO_SLOW)

    def _is_answering(self) -> bool:
        cycle: RequestResponseCycle | None = self.cycle  # None before the first request
        return cycle is not None and not cycle.response_complete

    def _is_stuck(self, now_s: float) -> bool:
        unsent = self.transport.get_write_buffer_size()
        if not unsent or unsent != self._unsent[0]:
            self._unsent = (unsent, now_s)
        return now_s - self._unsent[1] > STUCK_S

    def _note_key(self) -> None:
        # The routes leave the key they found valid in the state of the request (ingest.api.routes.shared).
        if self._address is not None and self._has_key():
            self._leave()

    def _has_key(self) -> bool:
        cycle: RequestResponseCycle | None = self.cycle
        return cycle is not None and "key" in cycle.scope["state"]

    def _leave(self) -> None:
        if self._address is not None:
            self._bounds.leave(self._address)
            self._address = None

    def _bound_unread(self) -> None:
        self._hold(self._unread_bytes)
        if self._unread_bytes > MAX_HEAD_BYTES:
            self._refuse(LARGE_HEAD)
        elif self._unread_bytes and self._bounds.heads_bytes > MAX_HEADS_BYTES:
            self._refuse(NO_ROOM)

    def _hold(self, unread_bytes: int) -> None:
        self._bounds.heads_bytes += unread_bytes - self._held_bytes
        self._held_bytes = unread_bytes

    def _close_once_read(self) -> None:
        """Close after an answer: at once, or once the body is whole, else RST would overtake the answer."""
        self._closes = self._in_body
        if not self._closes:
            self.transport.close()

    def _drop(self, size: int) -> None:
        self._dropped_bytes += size
        if self._dropped_bytes > (LINGER_BYTES if self._deaf else self._most_dropped()):
            self.transport.abort()

    def _most_dropped(self) -> int:
        return MAX_DROPPED_BYTES if self._has_key() else MAX_BODY_BYTES

    # ------------------------------------------------------------ refusing

    def _refuse(self, fault: Fault) -> None:
        """Answer without the app where it is this request's turn; close in any case."""
        self._deaf = True
        self._hold(0)
        self._bounds.refused(fault.code)
        host = self.client[0] if self.client else None
        log.info("ingest.connection_refused", extra={"code": fault.code, "address": host})
        if not self._in_body and self._is_answering():
            self.cycle.keep_alive = False  # earlier requests are answered, then it closes
        elif not self._in_body or self._is_answering():
            self._answer(fault)
        else:  # the rest of an answered request: the client would read another answer as the next one
            self._linger()

    def _answer(self, fault: Fault) -> None:
        if self._is_answering():
            if self.pipeline or self.cycle.response_started:
                self.transport.abort()
                return
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        if fault is not TOO_SLOW or self._unread_bytes or self._in_body:
            self.transport.write(self._written(fault))
        self._linger()

    def _linger(self) -> None:
        self._lingering, self._since_s = True, self.loop.time()
        if self.transport.can_write_eof():
            self.transport.write_eof()
        else:
            self.transport.close()

    def _written(self, fault: Fault) -> bytes:
        request_id = secrets.token_hex(8)
        now_us = time.time_ns() // 1_000  # the app, which has the server's clock, never saw this request
        said = problems.document(fault.status, fault.code, fault.detail, request_id=request_id, now_us=now_us)
        body = json.dumps(said).encode()
        headers = [
            *self.server_state.default_headers,
            (b"content-type", PROBLEM_MEDIA_TYPE.encode()),
            (b"content-length", str(len(body)).encode()),
            (b"connection", b"close"),
            (b"request-id", request_id.encode()),
            *(edge.HEADERS_OVER_TLS if self.scheme == "https" else edge.HEADERS),
        ]
        if fault.retry_after_s:
            headers.append((b"retry-after", str(fault.retry_after_s).encode()))
        first = f"HTTP/1.1 {fault.status} {HTTPStatus(fault.status).phrase}\r\n".encode()
        return first + b"".join(name + b": " + value + b"\r\n" for name, value in headers) + b"\r\n" + body


def look_at(connections: Iterable[Any], now_s: float, since_last_s: float) -> None:
    """End what takes too long on any of them."""
    for connection in list(connections):
        if isinstance(connection, Connection):
            connection.look(now_s, since_last_s)
