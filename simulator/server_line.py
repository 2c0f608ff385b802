"""
One request and its reply over HTTP/1.1 (RFC 9112), without blocking, cheap enough for a thousand machines.

Promises: it never raises for faults of link or server; the outcome is what the gateway's own decision takes.
Leaves to others: what an outcome means (`cleanside.gateway.uplink.decision`).

A general client costs about a millisecond a request, which with a thousand machines is the load generator's
whole processor. TLS is checked against the system's certificates.
"""

from __future__ import annotations

import asyncio
import ssl
import time
from contextlib import suppress
from typing import Final
from urllib.parse import urlsplit

from cleanside.gateway.uplink.transport import MAX_REPLY_BYTES, NoAnswer, Outcome, Reply, Request

HEAD_END: Final = b"\r\n\r\n"


class ServerLine:
    """A connection to the server that stays open between requests. One request at a time."""

    def __init__(self, server: str, *, key: str, timeout_s: float) -> None:
        """server : its address. key : sent with each request. timeout_s : for a whole exchange."""
        parts = urlsplit(server)
        self._host = parts.hostname or ""
        self._tls = ssl.create_default_context() if parts.scheme == "https" else None
        self._port = parts.port or (443 if self._tls else 80)
        self._head = f"Host: {parts.netloc}\r\nAuthorization: Bearer {key}\r\n"
        self._timeout_s = timeout_s
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def send(self, request: Request) -> Outcome:
        """Send a request once, and wait for the whole reply."""
        began_s = time.monotonic()
        try:
            async with asyncio.timeout(self._timeout_s):
                return await self._exchange(request, began_s)
        except TimeoutError:
            self.close()
            return NoAnswer(f"no whole reply within {self._timeout_s:g} s")
        except EOFError:
            self.close()
            return NoAnswer("the connection was closed")
        except (OSError, ValueError, asyncio.LimitOverrunError) as error:
            self.close()
            return NoAnswer(f"{type(error).__name__}: {error}"[:200])

    async def _exchange(self, request: Request, began_s: float) -> Reply:
        if self._streams is None:
            self._streams = await asyncio.open_connection(self._host, self._port, ssl=self._tls)
        reader, writer = self._streams
        writer.write(self._bytes_of(request))
        await writer.drain()
        status, headers = _read_head(await reader.readuntil(HEAD_END))
        body = await self._body(reader, headers)
        if headers.get("connection", "").lower() == "close":
            self.close()
        took_s = time.monotonic() - began_s
        return Reply(status=status, headers=headers, body=body, took_s=took_s, trusted=True)

    def _bytes_of(self, request: Request) -> bytes:
        fields = "".join(f"{name}: {value}\r\n" for name, value in request.headers.items())
        head = f"{request.method} {request.path} HTTP/1.1\r\n{self._head}{fields}"
        return f"{head}Content-Length: {len(request.body)}\r\n\r\n".encode() + request.body

    async def _body(self, reader: asyncio.StreamReader, headers: dict[str, str]) -> bytes:
        if "content-length" not in headers:
            return await self._until_closed(reader)
        length = int(headers["content-length"])
        if not 0 <= length <= MAX_REPLY_BYTES:
            raise ValueError(f"a reply of {length} bytes; the most is {MAX_REPLY_BYTES}")
        return await reader.readexactly(length)

    async def _until_closed(self, reader: asyncio.StreamReader) -> bytes:
        """A body without a length ends with its connection (RFC 9112 section 6.3)."""
        body = b""
        while (piece := await reader.read(65_536)) and len(body) <= MAX_REPLY_BYTES:
            body += piece
        self.close()
        return body

    def close(self) -> None:
        """Close the connection; the next request opens another."""
        if self._streams is not None:
            with suppress(OSError, RuntimeError):  # the loop may have ended
                self._streams[1].close()
            self._streams = None


def _read_head(head: bytes) -> tuple[int, dict[str, str]]:
    """Status, and fields by their names in lower case. Raises ValueError for anything else than HTTP/1.1."""
    first, *lines = head[: -len(HEAD_END)].decode("latin-1").split("\r\n")
    version, _, rest = first.partition(" ")
    if not version.startswith("HTTP/1."):
        raise ValueError(f"{first[:40]!r} is no reply of HTTP/1.1")
    fields = (line.partition(":") for line in lines)
    return int(rest[:3]), {name.strip().lower(): value.strip() for name, _, value in fields}
