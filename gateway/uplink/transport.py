"""
One request to the server and its outcome: the only file that uses the network.

Promises: a reply comes from the address in the settings, over verified TLS (or loopback);
redirects are not followed; a reply has a size and a time limit, and a body in a content coding, which was not
asked for, is not read. Everything else is `NoAnswer`, never raised.
Leaves to others: what a reply means (`gateway.uplink.decision`), when to try again (`gateway.uplink.loop`).
"""

from __future__ import annotations

import json
import os
import socket
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import SplitResult, urlsplit

from cleanside.gateway.errors import SettingsWrong, why
from cleanside.gateway.this_machine import is_loopback
from cleanside.gateway.uplink.tls import verified
from cleanside.gateway.version import VERSION

if TYPE_CHECKING:
    import ssl

    import httpx

MAX_REPLY_BYTES = 2**20  # an answer is a few kB; a portal's page may be anything
#: code of X509_verify_cert_error_string(3) of OpenSSL -> what to do
_OF_CERTIFICATES: Mapping[int, str] = {
    **dict.fromkeys((9, 10), "check the machine's clock, then the server's certificate"),  # not yet, no more
    **dict.fromkeys((18, 19, 20, 21), "set uplink.ca_file to the certificate of the shop's authority"),
    **dict.fromkeys((62, 64), "uplink.server has another name than the certificate"),
}
_HEAD_BYTES = 300  # of a request's or reply's head on the wire, about, beside the fields we set


@dataclass(frozen=True, kw_only=True, slots=True)
class Request:
    """A request to the server. The transport adds key and address."""

    method: str
    path: str
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def up_bytes(self) -> int:
        """Its bytes on the link, about."""
        return len(self.body) + _HEAD_BYTES


@dataclass(frozen=True, kw_only=True, slots=True)
class Reply:
    """An HTTP answer, of our server or of anything in between."""

    status: int
    #: names in lower case
    headers: Mapping[str, str]
    body: bytes
    #: the time between request and answer [s]
    took_s: float = 0.0
    #: over verified TLS or loopback: its time can be trusted
    trusted: bool = False

    @property
    def down_bytes(self) -> int:
        """Its bytes on the link, about."""
        return len(self.body) + sum(len(name) + len(value) + 4 for name, value in self.headers.items())

    @property
    def media_type(self) -> str:
        """The media type without parameters, in lower case."""
        return self.headers.get("content-type", "").split(";")[0].strip().lower()

    @property
    def document(self) -> dict[str, Any] | None:
        """The body as a JSON object; None: it is none, or is nested deeper than any of ours."""
        try:
            document = json.loads(self.body)
        except (ValueError, RecursionError):
            return None
        return document if isinstance(document, dict) else None


@dataclass(frozen=True, slots=True)
class NoAnswer:
    """No reply that could be read."""

    reason: str
    #: False: no connection was made, so nothing can have arrived
    was_connected: bool = True


Outcome = Reply | NoAnswer


class Transport(Protocol):
    """The way to the server."""

    def send(self, request: Request) -> Outcome:
        """Send a request once. Never raises for faults of link or server."""

    def close(self) -> None:
        """Close connections."""


def check_address(server: str) -> str:
    """The server's address without a slash at its end. Raises SettingsWrong if neither HTTPS nor loopback."""
    parts, shown = _parts(server)
    if parts is None or parts.scheme not in ("http", "https") or not parts.hostname:
        raise SettingsWrong("not_an_address", address=shown)
    if parts.scheme == "http" and not is_loopback(parts.hostname):
        raise SettingsWrong("key_in_the_clear", address=shown)
    if parts.query or parts.fragment or "@" in parts.netloc:
        raise SettingsWrong("address_with_more", address=shown)
    return server.rstrip("/")


def _parts(server: str) -> tuple[SplitResult | None, str]:
    """The address in its parts, and its form for messages, without user, password or token."""
    bare = server.partition("?")[0].partition("#")[0]
    scheme, mark, rest = bare.partition("://")
    place, slash, path = rest.partition("/")
    shown = f"{scheme}{mark}{place.rpartition('@')[2]}{slash}{path}" if mark else bare.rpartition("@")[2]
    try:
        parts = urlsplit(server)
        _ = parts.port  # raises where it is none
    except ValueError:
        return None, shown
    return parts, shown


class _Wire:
    """The socket of the one connection, as the library tells of it when it is made."""

    def __init__(self) -> None:
        self._socket: socket.socket | None = None

    def made(self, stream: Any) -> None:
        """Remember the socket of a connection that was just made, or went over to TLS."""
        self._socket = stream.get_extra_info("socket")

    def cut(self) -> None:
        """End the connection for both sides: whoever waits for its bytes waits no longer."""
        if self._socket is None:
            return
        # By another handle of it: the own one may be in the middle of TLS.
        with suppress(OSError), socket.socket(fileno=os.dup(self._socket.fileno())) as same:
            same.shutdown(socket.SHUT_RDWR)  # an error: it is closed already


class _Limit:
    """
    The time that a reply may take, its head too: it counts from the end of the request.

    The library's own limit is one of each read, so a head of which a byte arrives now and then, or an interim
    response (RFC 9110 section 15.2), held the loop for as long as it went on.
    """

    def __init__(self, seconds: float, wire: _Wire) -> None:
        self._wire = wire
        self.no_answer = NoAnswer(f"no whole reply within {seconds:g} s")
        self._timer = threading.Timer(seconds, self._end_it)
        self._timer.daemon = True
        #: the time was up
        self.is_over = False

    def trace(self, name: str, info: Mapping[str, Any]) -> None:
        """What the library does with the request, step by step."""
        if name in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
            self._wire.made(info["return_value"])
        elif name == "http11.send_request_body.complete" and self._timer.ident is None:
            self._timer.start()

    def _end_it(self) -> None:
        self.is_over = True
        self._wire.cut()

    def end(self) -> None:
        """The exchange is over."""
        self._timer.cancel()


class HttpTransport:
    """HTTP/1.1 with keep-alive. One request at a time."""

    def __init__(
        self,
        server: str,
        *,
        key: Callable[[], str] | None,
        timeout_s: float = 30.0,
        ca_file: Path | None = None,
        certificate_file: Path | None = None,
        certificate_key_file: Path | None = None,
    ) -> None:
        """
        server : HTTPS, or HTTP to loopback. key : called for each request; None: there is none yet.
        timeout_s : to connect, for each part of a request on a slow link, and from its end for a whole reply.
        ca_file : certificates to trust instead of the system's. certificate_file : the machine's own.
        """
        import httpx

        self._server = check_address(server)
        self._key = key
        self._timeout_s = timeout_s
        self._wire = _Wire()
        verify: ssl.SSLContext | bool = True
        if server.startswith("https"):
            verify = verified(
                ca_file=ca_file,
                certificate_file=certificate_file,
                certificate_key_file=certificate_key_file,
                where="uplink certificates",
            )
        self._errors, self._no_connection = httpx.RequestError, (httpx.ConnectError, httpx.ConnectTimeout)
        self._client: httpx.Client = httpx.Client(
            verify=verify,
            follow_redirects=False,
            trust_env=False,  # a proxy from the environment would see the key
            timeout=httpx.Timeout(timeout_s, connect=min(timeout_s, 10.0)),
            limits=httpx.Limits(max_connections=1, keepalive_expiry=120.0),
            # Of a coded body some kB unfold into the memory of the whole machine, and ours are small.
            headers={"User-Agent": f"cleanside-gateway/{VERSION}", "Accept-Encoding": "identity"},
        )

    def send(self, request: Request) -> Outcome:
        """Send a request once."""
        began_s = time.monotonic()
        limit = _Limit(self._timeout_s, self._wire)
        try:
            headers = dict(request.headers)
            if self._key is not None:
                headers = {"Authorization": f"Bearer {self._key()}", **headers}
            with self._client.stream(
                request.method,
                self._server + request.path,
                content=request.body or None,
                headers=headers,
                extensions={"trace": limit.trace},
            ) as response:
                body = bytearray()
                is_coded = response.headers.get("Content-Encoding", "identity") != "identity"
                for chunk in () if is_coded else response.iter_raw():
                    body += chunk
                    if len(body) > MAX_REPLY_BYTES:
                        return NoAnswer(f"the reply is larger than {MAX_REPLY_BYTES} bytes")
                if limit.is_over:  # a body without a length ends with its connection
                    return limit.no_answer
                return Reply(
                    status=response.status_code,
                    headers={name.lower(): value for name, value in response.headers.items()},
                    body=bytes(body),
                    took_s=time.monotonic() - began_s,
                    trusted=True,  # the address was checked: verified TLS, or loopback
                )
        except Exception as error:  # no error of the library may end the loop
            if limit.is_over:
                return limit.no_answer
            name, said = type(error).__name__, why(error)
            said = (said if said.startswith(name) else f"{name}: {said}")[:200]
            was_connected = isinstance(error, self._errors) and not isinstance(error, self._no_connection)
            return NoAnswer(said + certificate_hint(error), was_connected)
        finally:
            limit.end()

    def close(self) -> None:
        """Close the connection."""
        self._client.close()


def certificate_hint(error: BaseException | None) -> str:
    """What to do where the server's certificate was not accepted; empty: it is about something else. Pure."""
    code = certificate_fault(error)
    return "" if code is None else f"; {_OF_CERTIFICATES.get(code, 'check uplink.server and uplink.ca_file')}"


def certificate_fault(error: BaseException | None) -> int | None:
    """OpenSSL's code of why a certificate was not accepted; None: the error is about something else. Pure."""
    while error is not None:
        if (code := getattr(error, "verify_code", None)) is not None:
            return int(code)
        error = error.__cause__ or error.__context__
    return None
