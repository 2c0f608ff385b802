"""
A link that goes wrong in ways with names: an HTTP relay on loopback between one gateway and the server.

Promises: in mode "straight" a request and its reply pass byte for byte, but for the header that ends the
connection after each. Every other mode does one wrong thing, the one it is named after, and counts how often.
A new mode ends what hangs in the old one.
Leaves to others: which mode when (`campaign.py`), what has to hold all the same (`row_audit.py`).
"""

from __future__ import annotations

import json
import random
import re
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Final

from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.loopback import LoopbackPort

STRAIGHT: Final = "straight"
_LONGEST_HANG_S: Final = 20.0  # a gateway gives up before
_DELAY_S: Final = (0.05, 1.2)  # each way by itself, so that the two differ
_TRICKLE_PIECES: Final = 12
_LATE_S: Final = (0.3, 3.0)
_SERVER_WITHIN_S: Final = 30.0
_BOAST: Final = 1_000_000  # numbers that were never given
_HEAD_END: Final = b"\r\n\r\n"


class CrookedLink:
    """Relay from a free loopback port to a server's; use as a context manager."""

    def __init__(self, server_port: int, *, seed: str) -> None:
        self._to = ("127.0.0.1", server_port)
        self._random = random.Random(seed)
        self._mode = STRAIGHT
        self._changed = threading.Event()  # set when the mode it was made for is over
        self._is_met = threading.Event()
        #: mode -> requests that met it
        self.met: Counter[str] = Counter()
        self._kept: dict[bytes, bytes] = {}  # request line -> the first reply to it
        self._entrance = LoopbackPort(self._serve)
        self.url = self._entrance.url

    def go(self, mode: str) -> None:
        """From now on go wrong that way. Raises CalledWrongly for a mode that there is none of."""
        if mode not in MODES:
            raise CalledWrongly(f'"{mode}" is no mode of a link; there are {", ".join(MODES)}')
        before, self._changed = self._changed, threading.Event()
        self._is_met.clear()
        self._mode = mode
        before.set()

    def wait_met(self, seconds: float) -> bool:
        """Wait until a request has met the mode that it is in. False: none came in that time."""
        return self._is_met.wait(seconds)

    def __enter__(self) -> CrookedLink:
        return self

    def __exit__(self, *_: object) -> None:
        self._changed.set()
        self._entrance.close()

    def _serve(self, client: socket.socket) -> None:
        mode, over = self._mode, self._changed
        client.settimeout(_LONGEST_HANG_S)
        with client, suppress(OSError, ValueError):
            if mode == "refused":
                self._meet(mode)
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))  # a reset
                return
            if request := _message(client):
                self._meet(mode)
                MODES[mode](self, client, request, over)

    def _meet(self, mode: str) -> None:
        self.met[mode] += 1
        self._is_met.set()

    # ------------------------------------------------------------ to the server and back

    def _ask(self, request: bytes) -> bytes:
        """The server's reply, whole; empty if it is not there."""
        with suppress(OSError), socket.create_connection(self._to, timeout=_SERVER_WITHIN_S) as server:
            server.sendall(_closing(request))
            return _until_closed(server)
        return b""

    def _straight(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        client.sendall(self._ask(request))

    def _silent(self, _client: socket.socket, _request: bytes, over: threading.Event) -> None:
        """Takes the request and never says a word; the server does not hear of it."""
        over.wait(_LONGEST_HANG_S)

    def _half_open(self, _client: socket.socket, request: bytes, over: threading.Event) -> None:
        """The server answers, and the answer goes nowhere; the connection stays."""
        self._ask(request)
        over.wait(_LONGEST_HANG_S)

    def _cut_in_request(self, _client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The server gets a part of the request."""
        with suppress(OSError), socket.create_connection(self._to, timeout=_SERVER_WITHIN_S) as server:
            server.sendall(request[: self._random.randrange(1, len(request))])

    def _reply_lost(self, _client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The server has done it, and the gateway does not know."""
        self._ask(request)

    def _cut_in_reply(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        reply = self._ask(request)
        client.sendall(reply[: self._random.randrange(0, max(1, len(reply)))])

    def _trickle(self, client: socket.socket, request: bytes, over: threading.Event) -> None:
        """A few bytes at a time."""
        reply = self._ask(request)
        size = max(1, len(reply) // _TRICKLE_PIECES)
        for begin in range(0, len(reply), size):
            client.sendall(reply[begin : begin + size])
            over.wait(0.05)

    def _delayed(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """Late there and late back, not by the same."""
        time.sleep(self._random.uniform(*_DELAY_S))
        reply = self._ask(request)
        time.sleep(self._random.uniform(*_DELAY_S))
        client.sendall(reply)

    def _repeated(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The request goes twice; the gateway has the second answer."""
        self._ask(request)
        client.sendall(self._ask(request))

    def _late_again(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """All is well, and some time later the same request comes once more."""
        client.sendall(self._ask(request))
        self._entrance.begin(self._send_late, request, self._random.uniform(*_LATE_S))

    def _send_late(self, request: bytes, wait_s: float) -> None:
        time.sleep(wait_s)
        self._ask(request)

    def _unavailable(self, client: socket.socket, _request: bytes, _: threading.Event) -> None:
        client.sendall(_reply("503 Service Unavailable", "text/plain", b"busy", {"Retry-After": "1"}))

    def _bad_gateway(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The server has done it, and a proxy says that it failed."""
        self._ask(request)
        status = self._random.choice(("500 Internal Server Error", "502 Bad Gateway", "504 Gateway Timeout"))
        client.sendall(_reply(status, "text/html", b"<h1>failed</h1>"))

    def _portal(self, client: socket.socket, _request: bytes, _: threading.Event) -> None:
        client.sendall(_reply("200 OK", "text/html", b"<h1>Welcome. Accept our terms to go on.</h1>"))

    def _redirected(self, client: socket.socket, _request: bytes, _: threading.Event) -> None:
        client.sendall(_reply("302 Found", "text/html", b"", {"Location": f"{self.url}/welcome"}))

    def _garbled(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The body has bytes that the server never sent."""
        head, body = _split(self._ask(request))
        noise = bytes(self._random.randrange(256) if self._random.random() < 0.2 else b for b in body)
        client.sendall(head + _HEAD_END + noise)

    def _kept_reply(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """A cache without sense: the first answer to a question is every later one's, its time with it."""
        line = request.partition(b"\r\n")[0]
        if line not in self._kept:
            self._kept[line] = self._ask(request)
        client.sendall(self._kept[line])

    def _boastful(self, client: socket.socket, request: bytes, _: threading.Event) -> None:
        """The answer acknowledges numbers that were never given."""
        head, body = _split(self._ask(request))
        with suppress(ValueError):
            said = json.loads(body)
            if isinstance(said, dict) and isinstance(said.get("acknowledged_through"), int):
                said["acknowledged_through"] += _BOAST
                body = json.dumps(said).encode()
        client.sendall(_with_length(head, len(body)) + _HEAD_END + body)


_Way = Callable[[CrookedLink, socket.socket, bytes, threading.Event], None]

#: every mode by its name; "refused" is over before there is a request
MODES: Final[Mapping[str, _Way]] = {
    STRAIGHT: CrookedLink._straight,
    "refused": CrookedLink._straight,
    "silent": CrookedLink._silent,
    "half_open": CrookedLink._half_open,
    "cut_in_request": CrookedLink._cut_in_request,
    "reply_lost": CrookedLink._reply_lost,
    "cut_in_reply": CrookedLink._cut_in_reply,
    "trickle": CrookedLink._trickle,
    "delayed": CrookedLink._delayed,
    "repeated": CrookedLink._repeated,
    "late_again": CrookedLink._late_again,
    "unavailable": CrookedLink._unavailable,
    "bad_gateway": CrookedLink._bad_gateway,
    "portal": CrookedLink._portal,
    "redirected": CrookedLink._redirected,
    "garbled": CrookedLink._garbled,
    "kept_reply": CrookedLink._kept_reply,
    "boastful": CrookedLink._boastful,
}


def _message(client: socket.socket) -> bytes:
    """A request, head and body as long as it says; empty if none comes."""
    received = b""
    while _HEAD_END not in received:
        if not (data := client.recv(65536)):
            return b""
        received += data
    head, body = _split(received)
    while len(body) < _length(head):
        if not (data := client.recv(65536)):
            return b""
        body += data
    return head + _HEAD_END + body


def _split(message: bytes) -> tuple[bytes, bytes]:
    head, _, body = message.partition(_HEAD_END)
    return head, body


def _length(head: bytes) -> int:
    found = re.search(rb"(?i)\r\ncontent-length: *(\d+)", head)
    return int(found[1]) if found else 0


def _until_closed(server: socket.socket) -> bytes:
    parts = []
    while data := server.recv(65536):
        parts.append(data)
    return b"".join(parts)


def _closing(request: bytes) -> bytes:
    """The request with the header that ends the connection after the reply (RFC 9112 section 9.6)."""
    head, body = _split(request)
    lines = [line for line in head.split(b"\r\n") if not line.lower().startswith(b"connection:")]
    return b"\r\n".join([*lines, b"Connection: close"]) + _HEAD_END + body


def _with_length(head: bytes, length: int) -> bytes:
    return re.sub(rb"(?i)(\r\ncontent-length: *)\d+", lambda found: found[1] + str(length).encode(), head)


def _reply(status: str, media_type: str, body: bytes, more: Mapping[str, str] | None = None) -> bytes:
    fields = {"Content-Type": media_type, "Content-Length": str(len(body)), "Connection": "close"}
    head = "".join(f"\r\n{name}: {value}" for name, value in {**fields, **(more or {})}.items())
    return f"HTTP/1.1 {status}{head}".encode() + _HEAD_END + body
