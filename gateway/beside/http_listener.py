"""
A small HTTP server for a few people beside the machine: the standard library, one thread, all of it bounded.

Promises: at most `MOST_CONNECTIONS` at a time and `MOST_OF_ONE` from one address; a request has `WITHIN_S`
for head and body together, `MOST_HEAD_BYTES` and `MOST_BODY_BYTES`; one request a connection. Where all
places are taken, the connection that has not sent its request for the longest time makes room. What is beyond
is refused or cut off, and costs the rest of the gateway nothing. What a handler raises is an answer 500.
Leaves to others: what is answered (`gateway.beside.reception`).
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import threading
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Final
from urllib.parse import parse_qs, urlsplit

from cleanside.gateway.errors import why
from cleanside.gateway.log import Log
from cleanside.gateway.setting_table import NotASetting

MOST_CONNECTIONS: Final = 16  # a handful of phones; chosen
MOST_OF_ONE: Final = 6  # as many as a browser opens to one server (common practice)
WITHIN_S: Final = 10.0  # chosen: a phone at the edge of a radio's reach is slow, not that slow
MOST_HEAD_BYTES: Final = 8_192  # chosen: a browser sends 1 kB
MOST_BODY_BYTES: Final = 8_192  # chosen: a note has 400 characters, each 12 bytes at worst as a form has it
_MOST_FIELDS: Final = 20
_MOST_HEADERS: Final = 64
_BACKLOG: Final = 16
_LOOK_S: Final = 0.5  # how soon a stop is noticed
_LAST_WORD_S: Final = 1.0  # chosen: what is under way arrives, who sends without end is cut off
_AGAIN_S: Final = 60.0  # after the address could not be taken, for example before the network is up


@dataclass(frozen=True, kw_only=True, slots=True)
class PageRequest:
    """One request."""

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    #: names in lower case
    headers: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)
    #: who asks, as the socket knows it
    address: str = ""
    #: address and port at which it came in, as the socket knows them
    here: tuple[str, int] = ("", 0)

    @property
    def cookies(self) -> Mapping[str, str]:
        """The cookies that were sent."""
        pairs = (part.partition("=") for part in self.headers.get("cookie", "").split(";"))
        return {name.strip(): value.strip() for name, _, value in pairs}


@dataclass(frozen=True, kw_only=True, slots=True)
class PageAnswer:
    """One answer."""

    status: int = 200
    body: str = ""
    media_type: str = "text/html"
    headers: Mapping[str, str] = field(default_factory=dict)


class _Refused(Exception):
    """A request that is not read to its end."""

    def __init__(self, status: int) -> None:
        super().__init__(str(status))
        self.status = status


Answer = Callable[[PageRequest], PageAnswer]


def address_of(listen: str) -> tuple[str, int]:
    """Host and port of "127.0.0.1:8480", "[::1]:8480" or "8480", which is loopback. Raises NotASetting."""
    host, colon, port = listen.rpartition(":")
    if not port.isdecimal() or not port.isascii() or not 0 <= int(port) <= 65_535:
        raise NotASetting("not_a_listen_address")
    bare = host.removeprefix("[").removesuffix("]") if colon else "127.0.0.1"
    try:
        return str(ipaddress.ip_address(bare)), int(port)
    except ValueError:
        raise NotASetting("not_an_ip_address") from None


def serve_pages(
    listen: tuple[str, int],
    answer: Answer,
    stop: threading.Event,
    *,
    log: Log,
    bound: Callable[[int], None] = lambda _: None,
) -> None:
    """
    Serve until `stop`. Never raises for what an address or a client does.

    bound : called with the port once it is taken, which is of interest where 0 was asked for.
    """
    while not stop.is_set():
        try:
            asyncio.run(_serve(listen, answer, stop, bound, log))
        except OSError as error:
            log("gateway.beside_failed", level=logging.WARNING, reason=why(error), again_in_s=_AGAIN_S)
            stop.wait(_AGAIN_S)


async def _serve(
    listen: tuple[str, int],
    answer: Answer,
    stop: threading.Event,
    bound: Callable[[int], None],
    log: Log,
) -> None:
    host, port = listen
    guests = _Guests(answer, log)
    server = await asyncio.start_server(
        guests.meet, host, port, limit=MOST_HEAD_BYTES, backlog=_BACKLOG, reuse_address=True
    )
    async with server:
        bound(int(server.sockets[0].getsockname()[1]))
        while not stop.is_set():
            await asyncio.sleep(_LOOK_S)


class _Guests:
    """The connections of the moment."""

    def __init__(self, answer: Answer, log: Log) -> None:
        self._answer = answer
        self._log = log
        self._there: Counter[str] = Counter()
        self._unread: dict[asyncio.StreamReader, asyncio.Timeout] = {}  # request not yet whole; oldest first

    async def meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection: one request, one answer."""
        address = str((writer.get_extra_info("peername") or ("",))[0])
        self._there[address] += 1
        try:
            async with asyncio.timeout(WITHIN_S) as left:
                self._make_room(address)
                self._unread[reader] = left
                asked = await _read(reader, address, _here(writer))
                self._unread.pop(reader, None)
                await _write(writer, self._answered(asked), with_body=asked.method != "HEAD")
        except _Refused as refused:
            has_room = self._there.total() <= MOST_CONNECTIONS
            await _last_word(reader if has_room else None, writer, refused.status)
        except (TimeoutError, OSError, asyncio.IncompleteReadError):
            pass  # too slow, or gone
        finally:
            self._unread.pop(reader, None)
            self._there[address] -= 1
            self._there += Counter()  # without those that are gone
            if writer.transport.get_write_buffer_size():
                writer.transport.abort()
            else:
                writer.close()

    def _make_room(self, address: str) -> None:
        """Let the slowest go where all places are taken. Raises _Refused where none can."""
        if self._there[address] > MOST_OF_ONE:
            raise _Refused(503)
        if self._there.total() > MOST_CONNECTIONS:
            if not self._unread:
                raise _Refused(503)
            slowest = next(iter(self._unread))
            self._unread.pop(slowest).reschedule(asyncio.get_running_loop().time())

    def _answered(self, asked: PageRequest) -> PageAnswer:
        try:
            return self._answer(asked)
        except Exception as error:  # a fault of ours must not end the server
            self._log("gateway.beside_page_failed", level=logging.ERROR, path=asked.path, reason=why(error))
            return PageAnswer(status=500, body="500", media_type="text/plain")


async def _last_word(reader: asyncio.StreamReader | None, writer: asyncio.StreamWriter, status: int) -> None:
    """
    Refuse, and where there is room read on for a moment what still comes.

    Closing a connection with bytes unread resets it, and a reset takes the answer with it that the client has
    not read yet (RFC 9112, section 9.6).
    """
    with suppress(TimeoutError, OSError):
        async with asyncio.timeout(_LAST_WORD_S):
            phrase = HTTPStatus(status).phrase
            await _write(
                writer, PageAnswer(status=status, body=phrase, media_type="text/plain"), with_body=True
            )
            if reader is not None:
                writer.write_eof()
                while await reader.read(MOST_BODY_BYTES):
                    pass


def _here(writer: asyncio.StreamWriter) -> tuple[str, int]:
    host, port, *_ = writer.get_extra_info("sockname") or ("", 0)
    return str(host), int(port)


async def _read(reader: asyncio.StreamReader, address: str, here: tuple[str, int]) -> PageRequest:
    try:
        head = await reader.readuntil(b"\r\n\r\n")
    except asyncio.LimitOverrunError:
        raise _Refused(431) from None
    method, target, headers = _head(head)
    form = {}
    if method == "POST":
        form = _fields(await _body(reader, headers))
    try:
        parts = urlsplit(target)
    except ValueError:
        raise _Refused(400) from None
    return PageRequest(
        method=method,
        path=parts.path,
        query=_fields(parts.query),
        headers=headers,
        form=form,
        address=address,
        here=here,
    )


def _head(head: bytes) -> tuple[str, str, dict[str, str]]:
    """Method, target and headers (RFC 9112 sections 3 and 5). Raises _Refused."""
    first, *lines = head[:-4].decode("latin-1").split("\r\n")
    words = first.split(" ")
    if len(words) != 3 or not words[1].startswith("/") or not words[2].startswith("HTTP/1."):
        raise _Refused(400)
    if len(lines) > _MOST_HEADERS:
        raise _Refused(431)
    headers: dict[str, str] = {}
    for line in lines:
        name, colon, value = line.partition(":")
        if not colon or not name or name != name.strip() or name.lower() in headers:
            raise _Refused(400)  # folded, or twice: two programs may read it in two ways
        headers[name.lower()] = value.strip()
    if words[0] not in ("GET", "HEAD", "POST"):
        raise _Refused(405)
    return words[0], words[1], headers


async def _body(reader: asyncio.StreamReader, headers: Mapping[str, str]) -> str:
    length = headers.get("content-length", "")
    if "transfer-encoding" in headers or not (length.isdecimal() and length.isascii() and len(length) < 8):
        raise _Refused(411)
    if int(length) > MOST_BODY_BYTES:
        raise _Refused(413)
    media_type = headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/x-www-form-urlencoded":
        raise _Refused(415)
    return (await reader.readexactly(int(length))).decode("latin-1")


def _fields(text: str) -> dict[str, str]:
    """The fields of a form or a query; of one that is there twice the last. Raises _Refused."""
    try:
        found = parse_qs(text, keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        raise _Refused(400) from None
    return {name: values[-1] for name, values in found.items()}


async def _write(writer: asyncio.StreamWriter, page: PageAnswer, *, with_body: bool) -> None:
    body = page.body.encode()
    lines = [
        f"HTTP/1.1 {page.status} {HTTPStatus(page.status).phrase}",
        f"Content-Type: {page.media_type}; charset=utf-8",
        f"Content-Length: {len(body)}",
        "Connection: close",
        "Cache-Control: no-store",
        "X-Content-Type-Options: nosniff",
        "Referrer-Policy: same-origin",  # with no-referrer a form would say "Origin: null" and be refused
        *(f"{name}: {value}" for name, value in page.headers.items()),
    ]
    writer.write("\r\n".join([*lines, "", ""]).encode("latin-1") + (body if with_body else b""))
    await writer.drain()
