"""The page beside the machine, attacked: slow, huge, broken, many. It stays bounded and goes on answering."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from time import sleep

import pytest

from cleanside.gateway.beside import http_listener
from cleanside.gateway.beside.http_listener import (
    MOST_BODY_BYTES,
    MOST_HEAD_BYTES,
    MOST_OF_ONE,
    PageAnswer,
    PageRequest,
    address_of,
    serve_pages,
)
from cleanside.gateway.log import unheard

FORM = b"Content-Type: application/x-www-form-urlencoded\r\n"


def echo(asked: PageRequest) -> PageAnswer:
    if asked.path == "/fault":
        raise RuntimeError("a fault of ours")
    return PageAnswer(body=f"{asked.method} {asked.path} {dict(asked.query)} {dict(asked.form)}")


@contextmanager
def listening() -> Iterator[int]:
    ports: list[int] = []
    is_bound, stop = threading.Event(), threading.Event()

    def bound(port: int) -> None:
        ports.append(port)
        is_bound.set()

    thread = threading.Thread(
        target=serve_pages,
        args=(("127.0.0.1", 0), echo, stop),
        kwargs={"log": unheard, "bound": bound},
    )
    thread.start()
    try:
        assert is_bound.wait(30)
        yield ports[0]
    finally:
        stop.set()
        thread.join(30)
        assert not thread.is_alive()


def say(port: int, sent: bytes, *, end: bool = True) -> bytes:
    """What comes back for these bytes."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as connection:
        try:
            connection.sendall(sent)
            if end:
                connection.shutdown(socket.SHUT_WR)
            answer = b""
            while chunk := connection.recv(65_536):
                answer += chunk
        except ConnectionError:  # refused while we were still sending
            return answer if "answer" in locals() else b""
        return answer


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer else 0


def get(port: int, path: str = "/") -> bytes:
    return say(port, f"GET {path} HTTP/1.1\r\nHost: a\r\n\r\n".encode())


def test_a_form_may_say_where_it_comes_from() -> None:
    """WHATWG Fetch, "append a request Origin header": under no-referrer a browser would say null."""
    with listening() as port:
        assert b"\r\nReferrer-Policy: same-origin\r\n" in get(port)


def test_a_request_is_answered_and_the_connection_closed() -> None:
    with listening() as port:
        answer = get(port, "/?a=1")
        assert (status(answer), b"{'a': '1'}" in answer) == (200, True)
        assert b"Connection: close" in answer
        posted = say(port, b"POST /e HTTP/1.1\r\n" + FORM + b"Content-Length: 7\r\n\r\nnote=%3C")
        assert (status(posted), b"{'note': '%3'}" in posted) == (200, True)  # as long as it said, no more
        head = say(port, b"HEAD / HTTP/1.1\r\n\r\n")
        assert (status(head), head.partition(b"\r\n\r\n")[2]) == (200, b"")


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (b"GET / HTTP/1.1\r\nX: " + b"a" * (MOST_HEAD_BYTES + 10) + b"\r\n\r\n", 431),
        (b"GET / HTTP/1.1\r\n" + b"".join(b"X%d: 1\r\n" % n for n in range(100)) + b"\r\n", 431),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Content-Length: %d\r\n\r\n" % (MOST_BODY_BYTES + 1), 413),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Content-Length: 99999999999999999999\r\n\r\n", 411),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Content-Length: -1\r\n\r\n", 411),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Content-Length: +5\r\n\r\nabcde", 411),
        (b"POST / HTTP/1.1\r\n" + FORM + b"\r\n", 411),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Transfer-Encoding: chunked\r\nContent-Length: 3\r\n\r\na=1", 411),
        (b"POST / HTTP/1.1\r\nContent-Type: text/plain\r\nContent-Length: 3\r\n\r\na=1", 415),
        (b"POST / HTTP/1.1\r\n" + FORM + b"Content-Length: 89\r\n\r\n" + b"&".join([b"a="] * 30), 400),
        (b"GET / HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nA: 1\r\n folded\r\n\r\n", 400),
        (b"GET / HTTP/1.1\r\nName : 1\r\n\r\n", 400),
        (b"GET http://other/ HTTP/1.1\r\n\r\n", 400),
        (b"DELETE / HTTP/1.1\r\n\r\n", 405),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400),
        (b"\r\n\r\n", 400),
        (b"GET /fault HTTP/1.1\r\n\r\n", 500),
        (b"GET / HTTP/1.1\r\nHost: a", 0),
    ],
    ids=lambda value: str(value)[:40],
)
def test_what_is_no_request_of_a_browser_is_refused(sent: bytes, expected: int) -> None:
    with listening() as port:
        assert status(say(port, sent)) == expected
        assert status(get(port)) == 200, "it goes on answering"


def test_slow_clients_are_cut_off_and_leave_room(monkeypatch: pytest.MonkeyPatch) -> None:
    """Heads that never end, from one address: others of that address are refused, then served again."""
    monkeypatch.setattr(http_listener, "WITHIN_S", 2.0)
    with listening() as port, ExitStack() as stack:
        slow = [
            stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=60))
            for _ in range(MOST_OF_ONE)
        ]
        for connection in slow:
            connection.sendall(b"GET / HTTP/1.1\r\nX: ")
        assert status(get(port)) == 503
        with socket.create_connection(("127.0.0.1", port), timeout=60) as late:
            assert late.recv(12) == b"HTTP/1.1 503", "refused before it asked"
            for _ in range(3):  # RFC 9112, section 9.6: what still comes is read, no reset takes the answer
                late.sendall(b"GET / HTTP/1.1\r\n")
                sleep(0.05)
            late.shutdown(socket.SHUT_WR)
        for connection in slow:
            assert connection.recv(100) == b"", "cut off"
        assert status(get(port)) == 200


def test_heads_that_never_end_from_many_addresses_leave_room_for_a_phone() -> None:
    half = b"GET / HTTP/1.1\r\nX: "
    with listening() as port, ExitStack() as stack:
        for last in (2, 3, 4) * MOST_OF_ONE:
            slow = socket.create_connection(
                ("127.0.0.1", port), timeout=60, source_address=(f"127.0.0.{last}", 0)
            )
            stack.enter_context(slow).sendall(half)
        assert [status(get(port)) for _ in range(3)] == [200] * 3


def test_a_client_that_reads_nothing_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_listener, "WITHIN_S", 2.0)
    with listening() as port:
        connection = socket.create_connection(("127.0.0.1", port), timeout=60)
        connection.sendall(b"GET / HTTP/1.1\r\n\r\n")
        assert status(get(port)) == 200
        connection.close()
        assert status(get(port)) == 200


def test_a_port_that_is_taken_is_tried_again_and_stops_nothing() -> None:
    events: list[str] = []
    stop = threading.Event()

    def log(name: str, **_: object) -> None:
        events.append(name)
        stop.set()

    with socket.create_server(("127.0.0.1", 0)) as taken:
        serve_pages(("127.0.0.1", taken.getsockname()[1]), echo, stop, log=log)
    assert events == ["gateway.beside_failed"]


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("8480", ("127.0.0.1", 8480)),
        ("192.168.4.1:8480", ("192.168.4.1", 8480)),
        ("[::1]:8480", ("::1", 8480)),
        ("0.0.0.0:0", ("0.0.0.0", 0)),
    ],
)
def test_a_port_alone_is_loopback(text: str, address: tuple[str, int]) -> None:
    assert address_of(text) == address


@pytest.mark.parametrize("text", ["", "host:80", "127.0.0.1", "127.0.0.1:99999", ":80", "1.2.3.4:-1", "٨٤٨٠"])
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="address"):
        address_of(text)
