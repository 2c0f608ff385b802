"""
Rules for the head of a request, and how long its bytes may take (RFC 9112, RFC 9110): pure.

Promises: a head that two programs could read differently is refused; each refusal has one answer.
Leaves to others: the grammar of HTTP (the parser, strict by default), the connection
(`ingest.api.connection`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

# RFC 9112 section 3: a server has to accept a request line of 8000 bytes.
MAX_TARGET_BYTES = 8_000
# A request of a gateway has some 500; a proxy adds a few hundred. Chosen: what most servers take.
MAX_HEAD_BYTES = 16 * 1024
MAX_HEADER_FIELDS = 100  # chosen; a gateway sends ten
SLOWEST_BYTES_PER_S = 256  # a satellite modem of 2400 bit/s (common practice, no source)

# RFC 9110 section 7.2, RFC 3986 section 3.2.2: a name or an IP literal, and perhaps a port
_HOST = re.compile(rb"(?:\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._~%!$&'()*+,;=-]*)(?::[0-9]*)?")
#: Encoded, these would part or end a path for one reader and be part of a name for another
#: (RFC 3986 section 7.3); a proxy's rule by path could be passed by.
_SPLITS_PATH = re.compile(rb"%(?:2f|5c|00)", re.IGNORECASE)
_VERSIONS = ("1.1", "1.0")


@dataclass(frozen=True, slots=True)
class Fault:
    """Why a connection is answered without the app, and closed. retry_after_s : 0: no Retry-After."""

    status: int
    code: str
    detail: str
    retry_after_s: int = 0


MALFORMED = Fault(400, "http_malformed", "the bytes are not an HTTP/1.1 request; the connection is closed")
ONE_HOST = Fault(400, "http_malformed", "a request has exactly one Host, a name or address; send one")
ONE_KEY = Fault(400, "http_malformed", "a request has at most one Authorization; send the key once")
UNKNOWN_VERSION = Fault(505, "http_not_supported", "this server speaks HTTP/1.1; send that")
UNKNOWN_CODING = Fault(
    501, "http_not_supported", "chunked is the only transfer coding known here; send Content-Encoding instead"
)
LONG_TARGET = Fault(
    414, "head_too_large", f"the address has more than {MAX_TARGET_BYTES} bytes; send a shorter one"
)
LARGE_HEAD = Fault(
    431,
    "head_too_large",
    f"the head has more than {MAX_HEAD_BYTES} bytes or {MAX_HEADER_FIELDS} fields; send fewer",
)
SPLIT_PATH = Fault(
    400,
    "http_malformed",
    "the path has an encoded slash, backslash or NUL; no name here has one, send the plain path",
)
LARGE_FRAMING = Fault(
    400,
    "http_malformed",
    "sizes and extensions of chunks take far more bytes than what is in them; send larger chunks, plain",
)
TOO_SLOW = Fault(408, "request_too_slow", "the request did not arrive in time; send it again")
TOO_MANY = Fault(
    429,
    "too_many_connections",
    "this address has too many connections without a valid key; close some, or show a key on each",
    retry_after_s=5,
)
#: RFC 9112 section 9.3.2: a client that pipelines repeats requests without an answer at the end
TOO_MANY_WAITING = Fault(503, "overloaded", "too many requests wait on this connection; send one at a time")
NO_ROOM = Fault(
    503, "overloaded", "too many heads of requests are under way; send again shortly", retry_after_s=2
)


def fault_of_head(version: str, target: bytes, fields: Sequence[tuple[bytes, bytes]]) -> Fault | None:
    """
    The fault of a head that the parser accepted; None: none. Runs for every request.

    version : like "1.1". fields : name in lower case, value.
    """
    if version not in _VERSIONS:
        return UNKNOWN_VERSION  # RFC 9110 section 15.6.6
    if len(target) > MAX_TARGET_BYTES:
        return LONG_TARGET
    if b"%" in target and _SPLITS_PATH.search(target.partition(b"?")[0]):
        return SPLIT_PATH
    hosts, authorizations, size = 0, 0, len(target)
    for name, value in fields:
        size += len(name) + len(value) + 4
        if name == b"host":
            hosts += 1 if _HOST.fullmatch(value) else 2
        elif name == b"authorization":
            authorizations += 1
        elif name == b"transfer-encoding" and value.lower() != b"chunked":
            return UNKNOWN_CODING  # RFC 9112 section 6.1
    if size > MAX_HEAD_BYTES or len(fields) > MAX_HEADER_FIELDS:
        return LARGE_HEAD
    if hosts > 1 or (hosts == 0 and version == "1.1"):
        return ONE_HOST  # RFC 9112 section 3.2: must be answered 400
    if authorizations > 1:
        return ONE_KEY  # RFC 9110 section 5.3: it is no list, so it stands once
    return None


def is_padded(framing_bytes: int, body_bytes: int) -> bool:
    """
    True where sizes and extensions of chunks are larger than any ordinary client's (RFC 9112 section 7.1.1).

    framing_bytes : that came with a body and are not of it. A chunk of one byte has five.
    """
    return framing_bytes > MAX_HEAD_BYTES + 8 * body_bytes


def is_late(waited_s: float, wait_s: float, body_bytes: int = 0) -> bool:
    """True where a client took too long. body_bytes : of the body, so far; what keeps coming has longer."""
    return waited_s > wait_s + body_bytes / SLOWEST_BYTES_PER_S
