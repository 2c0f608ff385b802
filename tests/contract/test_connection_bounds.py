"""
What a connection may take of a real server before it has shown a key: counted in bytes, not in time.

A client sends for as long as the server takes bytes; the count includes what the system holds in its buffers.
"""

from __future__ import annotations

import itertools
import json
import select
import socket
import urllib.error
import urllib.request
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from cleanside.ingest.api.connection import MAX_PIPELINED
from cleanside.ingest.api.http_rules import MAX_HEAD_BYTES, MAX_HEADER_FIELDS, MAX_TARGET_BYTES
from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import wait_until
from tests.support.raw_http import answers_in, connect, exchange, rest_of
from tests.support.serving import ServerProcess, as_process, bearer

HOST = b"Host: shop.example\r\n"
GET = b"GET /healthz HTTP/1.1\r\n"
CLOSE = b"Connection: close\r\n"
POST = b"POST /v1/readings HTTP/1.1\r\n"
ENROL = b"POST /v1/enrol HTTP/1.1\r\n" + HOST
CHUNKED = POST + HOST + b"Transfer-Encoding: chunked\r\n\r\n"

SEND_BUFFER_BYTES = 64 * 1024
#: what the system's own buffers may hold on loopback, and a body that is read past; far below what was tried
ALLOWED_BYTES = 8 * 2**20
TRIED_BYTES = 48 * 2**20


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("bounds"))) as running:
        yield running


def taken(connection: socket.socket, pieces: Iterable[bytes]) -> int:
    """Bytes that the other side took until it closed, or stopped taking any, or `TRIED_BYTES` were sent."""
    sent = 0
    connection.setblocking(False)
    for piece in pieces:
        left = memoryview(piece)
        while left:
            if sent >= TRIED_BYTES or not select.select([], [connection], [], 5.0)[1]:
                return sent
            try:
                size = connection.send(left)
            except OSError:
                return sent
            sent, left = sent + size, left[size:]
    return sent


ENDLESS = {
    "a header line": (GET + HOST + b"X-A: ", b"a" * 65_536),
    "header lines": (GET + HOST, b"X-A: b\r\n" * 8_192),
    "a request line": (b"GET /", b"a" * 65_536),
    "empty lines": (b"", b"\r\n" * 32_768),
    "a trailer": (CHUNKED + b"0\r\nX-A: ", b"a" * 65_536),
    "trailers": (CHUNKED + b"0\r\n", b"X-A: b\r\n" * 8_192),
    "a chunk extension": (CHUNKED + b"1;", b"a" * 65_536),
    "chunk extensions": (CHUNKED, b"1;" + b"a" * 4_096 + b"\r\nx\r\n"),
    "a chunk size": (CHUNKED, b"0" * 65_536),
    "a body without a key": (POST + HOST + b"Content-Length: 1000000000000000\r\n\r\n", b"a" * 65_536),
    "a body of chunks without a key": (CHUNKED, b"8000\r\n" + b"a" * 32_768 + b"\r\n"),
    "a body of a route without a key": (
        ENROL + b"Transfer-Encoding: chunked\r\n\r\n",
        b"1000\r\n" + b"a" * 4_096 + b"\r\n",
    ),
    "requests whose answers are not read": (b"", (GET + HOST + b"\r\n") * 1_000),
}


@pytest.mark.parametrize(("first", "then"), ENDLESS.values(), ids=ENDLESS.keys())
def test_what_never_becomes_a_request_is_not_taken_for_long(
    server: ServerProcess, first: bytes, then: bytes
) -> None:
    with connect(server.port, send_buffer_bytes=SEND_BUFFER_BYTES) as connection:
        assert taken(connection, itertools.chain([first], itertools.repeat(then))) < ALLOWED_BYTES


def get_with(more: bytes) -> bytes:
    return GET + HOST + CLOSE + more + b"\r\n"


@pytest.mark.parametrize(
    ("sent", "status", "code"),
    [
        (get_with(b"X-A: " + b"a" * (MAX_HEAD_BYTES - 200) + b"\r\n"), 200, ""),
        (get_with(b"X-A: " + b"a" * MAX_HEAD_BYTES + b"\r\n"), 431, "head_too_large"),
        (get_with(b"X: y\r\n" * (MAX_HEADER_FIELDS - 2)), 200, ""),
        (get_with(b"X: y\r\n" * (MAX_HEADER_FIELDS - 1)), 431, "head_too_large"),
        (
            b"GET /" + b"a" * (MAX_TARGET_BYTES - 1) + b" HTTP/1.1\r\n" + HOST + CLOSE + b"\r\n",
            404,
            "not_found",
        ),
        (
            b"GET /" + b"a" * MAX_TARGET_BYTES + b" HTTP/1.1\r\n" + HOST + CLOSE + b"\r\n",
            414,
            "head_too_large",
        ),
    ],
    ids=["large", "too large", "many", "too many", "a long target", "too long a target"],
)
def test_a_head_is_taken_up_to_the_limit_and_refused_beyond(
    server: ServerProcess, sent: bytes, status: int, code: str
) -> None:
    """431: RFC 6585 section 5. 414: RFC 9110 section 15.5.15; RFC 9112 section 3 asks for 8000 bytes."""
    (answer,) = exchange(server.port, sent)
    assert (answer.status, answer.code) == (status, code)


def test_a_head_that_never_ends_is_told_why(server: ServerProcess) -> None:
    with connect(server.port) as connection:
        connection.sendall(GET + HOST + b"X-A: " + b"a" * (2 * MAX_HEAD_BYTES))
        (answer,) = answers_in(rest_of(connection))
    assert (answer.status, answer.code, answer.headers["connection"]) == (431, "head_too_large", "close")


def test_of_many_requests_at_once_the_first_are_answered_in_order_and_then_it_closes(
    server: ServerProcess,
) -> None:
    """RFC 9112 section 9.3.2: whoever pipelines sends again what was not answered."""
    targets = [b"GET /%d HTTP/1.1\r\n%s\r\n" % (number, HOST) for number in range(200)]
    answers = exchange(server.port, b"".join(targets))
    assert len(answers) == 1 + MAX_PIPELINED
    assert [f"/{number};".encode() in answer.body for number, answer in enumerate(answers)] == [True] * 9


# ---------------------------------------------------------------- connections of one address


def keyed_get(server: ServerProcess) -> bytes:
    return GET.replace(b"/healthz", b"/v1/streams") + HOST + _bearer(server) + b"\r\n"


def _bearer(server: ServerProcess) -> bytes:
    return f"Authorization: Bearer {server.tokens['device']}\r\n".encode()


def test_an_address_has_a_bounded_number_of_connections_until_each_shows_a_valid_key(tmp_path: Path) -> None:
    with as_process(migrated_sqlite(tmp_path), "--address-connections", "5") as server, ExitStack() as stack:
        held = [stack.enter_context(connect(server.port)) for _ in range(5)]
        # RFC 6585 section 4: 429 with Retry-After
        (refused,) = exchange(server.port, b"")
        assert (refused.status, refused.code) == (429, "too_many_connections")
        assert 1 <= int(refused.headers["retry-after"]) <= 120
        for connection in held[:3]:
            connection.sendall(keyed_get(server))
            assert connection.recv(65_536).startswith(b"HTTP/1.1 200")
        held += [stack.enter_context(connect(server.port)) for _ in range(3)]
        assert not _answers_a_get(server)
        held.pop().close()
        wait_until(lambda: _answers_a_get(server), "a connection that ended is not counted")


def _answers_a_get(server: ServerProcess) -> bool:
    return [answer.status for answer in exchange(server.port, GET + HOST + CLOSE + b"\r\n")] == [200]


def test_a_key_that_is_not_valid_does_not_free_a_connection(tmp_path: Path) -> None:
    with (
        as_process(migrated_sqlite(tmp_path), "--address-connections", "1") as server,
        connect(server.port) as connection,
    ):
        wrong = b"Authorization: Bearer k00000000.00\r\n"
        connection.sendall(GET.replace(b"/healthz", b"/v1/streams") + HOST + wrong + b"\r\n")
        assert connection.recv(65_536).startswith(b"HTTP/1.1 401")
        assert [answer.status for answer in exchange(server.port, b"")] == [429]


def test_a_proxy_that_is_named_is_not_counted(tmp_path: Path) -> None:
    flags = ("--address-connections", "2", "--trusted-proxies", "127.0.0.0/8")
    with as_process(migrated_sqlite(tmp_path), *flags) as server, ExitStack() as stack:
        for _ in range(10):
            stack.enter_context(connect(server.port))
        assert _answers_a_get(server)


# ---------------------------------------------------------------- time


@pytest.mark.parametrize(
    ("sent", "answered"),
    [
        (b"", []),
        (GET, [(408, "request_too_slow")]),
        (
            b"POST /v1/enrol HTTP/1.1\r\n" + HOST + b"Content-Length: 100\r\n\r\n{",
            [(408, "request_too_slow")],
        ),
    ],
    ids=["nothing", "half a head", "half a body"],
)
def test_what_does_not_arrive_in_time_is_not_waited_for(
    tmp_path: Path, sent: bytes, answered: list[tuple[int, str]]
) -> None:
    """408: RFC 9110 section 15.5.9. Where no request was begun there is nothing to answer."""
    with as_process(migrated_sqlite(tmp_path), "--request-wait-s", "1") as server:
        answers = exchange(server.port, sent)
        assert [(answer.status, answer.code) for answer in answers] == answered
        server.stop()
        assert "Traceback" not in server.log()
        assert "ERROR" not in server.log()


@pytest.mark.parametrize(
    ("path", "status"),
    [(b"/v1/machines", 401), (b"/v1/keys", 401), (b"/v1/enrolments", 401), (b"/v1/enrol", 413)],
)
def test_no_body_is_kept_in_memory_without_a_key(server: ServerProcess, path: bytes, status: int) -> None:
    """The answer comes while the body is still to come: it was not waited for."""
    head = b"POST " + path + b" HTTP/1.1\r\n" + HOST + b"Content-Type: application/json\r\n"
    with connect(server.port) as connection:
        connection.sendall(head + b"Content-Length: 100000\r\n\r\n" + b" " * 50_000)
        assert connection.recv(65_536).startswith(b"HTTP/1.1 %d " % status)


@pytest.mark.parametrize("sent_bytes", [2 * 10**6, 20 * 10**6])
def test_an_ordinary_client_reads_why_a_large_body_was_refused(
    server: ServerProcess, sent_bytes: int
) -> None:
    """It sends all, and only then reads (RFC 9110 section 15.5.14, RFC 9112 section 9.6)."""
    headers = bearer(server.tokens["device"]) | {"Content-Type": "application/json"}
    asked = urllib.request.Request(f"{server.url}/v1/readings", data=b" " * sent_bytes, headers=headers)
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.build_opener(urllib.request.ProxyHandler({})).open(asked, timeout=30)
    with refused.value as answer:
        assert (answer.code, json.load(answer)["code"]) == (413, "body_too_large")
