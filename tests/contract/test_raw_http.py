"""
Requests that two readers could take for different ones: refused, or handled as RFC 9112 has it.

Raw bytes to a real server, with a plain request behind each. Where framing is in doubt there is one answer,
the connection closes, and the request behind is never answered; where it is not, that one is answered next.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator

import pytest

from cleanside.ingest.intake.codes import NEXT_STEPS, TITLES
from tests.support.databases import migrated_sqlite
from tests.support.raw_http import answers_in, connect, exchange, rest_of
from tests.support.serving import ServerProcess

GET = b"GET /healthz HTTP/1.1\r\n"
POST = b"POST /v1/nothing HTTP/1.1\r\n"
HOST = b"Host: shop.example\r\n"
CHUNKED = b"Transfer-Encoding: chunked\r\n"
LAST_CHUNK = b"0\r\n\r\n"
BEHIND = b"GET /healthz HTTP/1.1\r\nHost: shop.example\r\nConnection: close\r\n\r\n"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    running = ServerProcess(migrated_sqlite(tmp_path_factory.mktemp("raw")), {})
    try:
        running.start()
        yield running
    finally:
        running.close()


MALFORMED = {
    # RFC 9112 section 6.3, rule 3: both is an attempt at smuggling, and ought to be an error
    "length and chunked": POST + HOST + b"Content-Length: 5\r\n" + CHUNKED + b"\r\n" + LAST_CHUNK,
    "chunked and length": POST + HOST + CHUNKED + b"Content-Length: 5\r\n\r\n" + LAST_CHUNK,
    # section 6.3, rule 5: what is not one number cannot be recovered from; equal ones might
    "two lengths": POST + HOST + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
    "two equal lengths": POST + HOST + b"Content-Length: 5\r\nContent-Length: 5\r\n\r\nhello",
    "a list of lengths": POST + HOST + b"Content-Length: 5, 6\r\n\r\nhello",
    "two numbers as length": POST + HOST + b"Content-Length: 5 6\r\n\r\nhello",
    "a signed length": POST + HOST + b"Content-Length: +5\r\n\r\nhello",
    "a length below nothing": POST + HOST + b"Content-Length: -5\r\n\r\nhello",
    "a hexadecimal length": POST + HOST + b"Content-Length: 0x5\r\n\r\nhello",
    "a length of nothing": POST + HOST + b"Content-Length:\r\n\r\n",
    "a length beyond 64 bits": POST + HOST + b"Content-Length: 99999999999999999999\r\n\r\nhello",
    # section 5.2: obsolete line folding is refused, or replaced by spaces
    "a folded line": GET + HOST + b"X-A: b\r\n c\r\n\r\n",
    "a folded coding": POST + HOST + b"Transfer-Encoding:\r\n chunked\r\n\r\n" + LAST_CHUNK,
    # section 2.2: whitespace before the first header field
    "a folded first line": GET + b" X-A: b\r\n" + HOST + b"\r\n",
    # section 2.2: a lone LF may count as a line's end, a lone CR may not
    "bare line feeds": b"GET /healthz HTTP/1.1\nHost: shop.example\n\n",
    "a bare line feed": GET + b"Host: shop.example\nX-A: b\r\n\r\n",
    "a bare carriage return": GET + b"Host: shop.example\rX-A: b\r\n\r\n",
    # RFC 9110 section 5.5: CR, LF and NUL in a value are dangerous; other control characters are not valid
    "NUL in a value": GET + HOST + b"X-A: b\x00c\r\n\r\n",
    "NUL in a name": GET + HOST + b"X\x00A: b\r\n\r\n",
    "a control character in a value": GET + HOST + b"X-A: b\x01c\r\n\r\n",
    # section 5.1: no whitespace between name and colon; must be answered 400
    "a space before the colon": POST + HOST + b"Content-Length : 5\r\n\r\nhello",
    "a space before the colon of a coding": POST + HOST + b"Transfer-Encoding : chunked\r\n\r\n" + LAST_CHUNK,
    "a space in a name": POST + HOST + b"Content Length: 5\r\n\r\nhello",
    "no name": GET + HOST + b": b\r\n\r\n",
    "no colon": GET + HOST + b"X-A\r\n\r\n",
    # section 6.1 and 6.3, rule 4: chunked is the last coding, once, else the length cannot be told
    "chunked is not the last coding": POST
    + HOST
    + b"Transfer-Encoding: chunked, identity\r\n\r\n"
    + LAST_CHUNK,
    "chunked twice": POST + HOST + b"Transfer-Encoding: chunked, chunked\r\n\r\n" + LAST_CHUNK,
    "two codings": POST + HOST + CHUNKED + b"Transfer-Encoding: identity\r\n\r\n" + LAST_CHUNK,
    "a coding behind a vertical tab": POST + HOST + b"Transfer-Encoding: \x0bchunked\r\n\r\n" + LAST_CHUNK,
    # section 3.2: no Host, more than one, or one that is none, must be answered 400
    "no host": GET + b"\r\n",
    "two hosts": GET + HOST + b"Host: other.example\r\n\r\n",
    "two equal hosts": GET + HOST + HOST + b"\r\n",
    "a host that is none": GET + b"Host: shop.example/x@y\r\n\r\n",
    # RFC 9110 section 5.3: a field that is no list stands once; of two keys neither is known to be meant
    "two keys": GET + HOST + b"Authorization: Bearer a.b\r\nAuthorization: Bearer c.d\r\n\r\n",
    "two equal keys": GET + HOST + b"Authorization: Bearer a.b\r\nauthorization: Bearer a.b\r\n\r\n",
    # section 7.1: a recipient must anticipate large chunk sizes, and prevent overflows
    "a chunk size beyond 64 bits": POST + HOST + CHUNKED + b"\r\n10000000000000001\r\nx\r\n" + LAST_CHUNK,
    "a chunk size with a prefix": POST + HOST + CHUNKED + b"\r\n0x1\r\nx\r\n" + LAST_CHUNK,
    "a chunk size below nothing": POST + HOST + CHUNKED + b"\r\n-1\r\nx\r\n" + LAST_CHUNK,
    "no chunk size": POST + HOST + CHUNKED + b"\r\n\r\nx\r\n" + LAST_CHUNK,
    "a chunk longer than it says": POST + HOST + CHUNKED + b"\r\n1\r\nxyz\r\n" + LAST_CHUNK,
    "chunks that end in line feeds": POST + HOST + CHUNKED + b"\r\n1\nx\n0\n\n",
    "a line feed in a chunk extension": POST + HOST + CHUNKED + b"\r\n1;a\nb\r\nx\r\n" + LAST_CHUNK,
    # RFC 9110 section 6.5.1: framing may not stand in a trailer
    "a length as trailer": POST + HOST + CHUNKED + b"\r\n1\r\nx\r\n0\r\nContent-Length: 50\r\n\r\n",
    # section 3: one space between the parts; methods are known and in capitals
    "a tab in the request line": b"GET\t/healthz HTTP/1.1\r\n" + HOST + b"\r\n",
    "a method that is none": b"get /healthz HTTP/1.1\r\n" + HOST + b"\r\n",
    # RFC 3986 section 7.3: decoded too early or too late, these part a path in two ways
    "an encoded slash in a path": b"GET /v1/devices/a%2Fb HTTP/1.1\r\n" + HOST + b"\r\n",
    "an encoded backslash in a path": b"GET /v1/devices/a%5cb HTTP/1.1\r\n" + HOST + b"\r\n",
    "an encoded NUL in a path": b"GET /v1/devices/a%00 HTTP/1.1\r\n" + HOST + b"\r\n",
    # section 3.2.3: that is for proxies
    "a tunnel": b"CONNECT other.example:443 HTTP/1.1\r\n" + HOST + b"\r\n",
    # RFC 9113 section 3.4: the preface of HTTP/2; RFC 8446 section 5.1: a record of TLS
    "HTTP/2": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "TLS": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
}


@pytest.mark.parametrize("sent", MALFORMED.values(), ids=MALFORMED.keys())
def test_what_can_be_understood_in_two_ways_is_refused_as_a_problem(
    server: ServerProcess, sent: bytes
) -> None:
    (answer,) = exchange(server.port, sent + BEHIND)
    assert (answer.status, answer.code) == (400, "http_malformed")
    assert answer.headers["connection"] == "close"


UNSUPPORTED = {
    # RFC 9112 section 6.1: a coding that is not understood: 501
    "another coding before chunked": (501, POST + HOST + b"Transfer-Encoding: gzip, chunked\r\n\r\n"),
    "another coding": (501, POST + HOST + b"Transfer-Encoding: identity\r\n\r\n"),
    "nearly chunked": (501, POST + HOST + b"Transfer-Encoding: xchunked\r\n\r\n"),
    "chunked in quotes": (501, POST + HOST + b'Transfer-Encoding: "chunked"\r\n\r\n'),
    # RFC 9110 section 15.6.6: a version that is not spoken: 505
    "HTTP/0.9": (505, b"GET /healthz\r\n\r\n"),
    "another major version": (505, b"GET /healthz HTTP/2.0\r\n" + HOST + b"\r\n"),
}


@pytest.mark.parametrize(("status", "sent"), UNSUPPORTED.values(), ids=UNSUPPORTED.keys())
def test_what_is_not_spoken_here_is_refused_as_a_problem(
    server: ServerProcess, status: int, sent: bytes
) -> None:
    (answer,) = exchange(server.port, sent + LAST_CHUNK + BEHIND)
    assert (answer.status, answer.code) == (status, "http_not_supported")
    assert answer.headers["connection"] == "close"


CLEAR = {
    # RFC 9112 section 3.2.2: the target names the host, and Host is ignored; nothing here depends on either
    "an absolute target and another host": (
        200,
        b"GET http://other.example/healthz HTTP/1.1\r\n" + HOST + b"\r\n",
    ),
    # section 2.2: empty lines before a request are skipped
    "an empty line before": (200, b"\r\n" + GET + HOST + b"\r\n"),
    # section 3.2: an empty Host is one
    "an empty host": (200, GET + b"Host:\r\n\r\n"),
    # RFC 9110 section 9.3.1: content of a GET has no meaning, and is read past
    "a GET with a body": (200, GET + HOST + b"Content-Length: 5\r\n\r\nhello"),
    # section 5.1: whitespace around a value is no part of it
    "a space behind a length": (404, POST + HOST + b"Content-Length: 5 \r\n\r\nhello"),
    # RFC 9110 section 5.1: another name is another field
    "an underscore in a name": (404, POST + HOST + b"Content_Length: 5\r\n\r\n"),
    # section 7: names of codings know no case; extensions are ignored, trailers may be discarded
    "chunked in capitals": (404, POST + HOST + b"Transfer-Encoding: CHUNKED\r\n\r\n" + LAST_CHUNK),
    "a chunk extension": (404, POST + HOST + CHUNKED + b"\r\n1;a=b\r\nx\r\n" + LAST_CHUNK),
    "a trailer": (404, POST + HOST + CHUNKED + b"\r\n1\r\nx\r\n0\r\nX-A: b\r\n\r\n"),
}


@pytest.mark.parametrize(("status", "sent"), CLEAR.values(), ids=CLEAR.keys())
def test_what_has_one_meaning_is_answered_and_so_is_what_comes_behind(
    server: ServerProcess, status: int, sent: bytes
) -> None:
    answers = exchange(server.port, sent + BEHIND)
    assert [answer.status for answer in answers] == [status, 200]


CLOSING = {
    # RFC 9112 section 6.1: a coding in HTTP/1.0 is faulty framing: answered, then closed
    "chunked in HTTP/1.0": (
        404,
        b"POST /v1/nothing HTTP/1.0\r\nConnection: keep-alive\r\n" + CHUNKED + b"\r\n" + LAST_CHUNK,
    ),
    # section 9.6: nothing after a request that said close is processed
    "behind close": (200, GET + HOST + b"Connection: close\r\n\r\n"),
    # RFC 9110 section 7.8: an upgrade may be ignored; what follows might be in another protocol
    "an upgrade to websocket": (200, GET + HOST + b"Connection: Upgrade\r\nUpgrade: websocket\r\n\r\n"),
    "an upgrade to HTTP/2": (200, GET + HOST + b"Connection: Upgrade\r\nUpgrade: h2c\r\n\r\n"),
    "an upgrade with a body": (
        404,
        POST + HOST + b"Connection: Upgrade\r\nUpgrade: x\r\nContent-Length: 5\r\n\r\nhello",
    ),
}


@pytest.mark.parametrize(("status", "sent"), CLOSING.values(), ids=CLOSING.keys())
def test_what_ends_the_connection_is_answered_and_nothing_behind_it(
    server: ServerProcess, status: int, sent: bytes
) -> None:
    (answer,) = exchange(server.port, sent + BEHIND)
    assert (answer.status, answer.headers["connection"]) == (status, "close")


def test_a_chunk_that_ends_too_early_takes_what_follows_for_its_own_and_answers_nothing_twice(
    server: ServerProcess,
) -> None:
    """RFC 9112 section 8: a message that ends before its last chunk is incomplete; no request is in it."""
    sent = POST + HOST + CHUNKED + b"\r\n200\r\nx\r\n" + LAST_CHUNK + BEHIND
    with connect(server.port) as connection:
        connection.sendall(sent)
        first = connection.recv(65_536)
        connection.shutdown(socket.SHUT_WR)
        answers = answers_in(first + rest_of(connection))
    assert [answer.status for answer in answers] == [404]


def test_a_fault_behind_a_request_does_not_take_the_place_of_its_answer(server: ServerProcess) -> None:
    """RFC 9112 section 9.3.2: answers come in the order of requests."""
    (answer,) = exchange(server.port, GET + HOST + b"\r\n" + b"no request\r\n\r\n" + BEHIND)
    assert answer.status == 200


def test_a_trailer_is_no_key(server: ServerProcess) -> None:
    """RFC 9110 section 6.5.1: trailers are not merged into headers: a proxy never checked them."""
    named = b"Request-Id: from-the-trailer\r\n"
    answers = exchange(server.port, POST + HOST + CHUNKED + b"\r\n0\r\n" + named + b"\r\n" + BEHIND)
    assert [answer.status for answer in answers] == [404, 200]
    assert answers[0].headers["request-id"] != "from-the-trailer"


def test_a_refusal_without_the_app_is_a_problem_with_the_headers_of_every_answer(
    server: ServerProcess,
) -> None:
    (refused,) = exchange(server.port, b"no request\r\n\r\n")
    (usual,) = exchange(server.port, b"GET /nothing HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
    assert usual.status == 404
    # Without the app nothing is known of a database.
    assert refused.headers.keys() == usual.headers.keys() - {"database-id"}
    document, other = json.loads(refused.body), json.loads(usual.body)
    assert document.keys() == other.keys()
    assert document["request_id"] == refused.headers["request-id"]
    assert document["next_step"] == NEXT_STEPS["http_malformed"]
    assert document["title"] == TITLES["http_malformed"]
