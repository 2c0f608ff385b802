"""The network, against a real server on loopback that misbehaves on demand."""

from __future__ import annotations

import gzip
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import zstandard

from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.uplink.transport import (
    MAX_REPLY_BYTES,
    HttpTransport,
    NoAnswer,
    Reply,
    Request,
    check_address,
)
from tests.support.coded import refused

Behaviour = Callable[[BaseHTTPRequestHandler], None]


class Site:
    """A server whose behaviour the test sets; remembers the heads it was sent."""

    def __init__(self, *, port: int = 0) -> None:
        self.behaviour: Behaviour = answer(200, b"{}")
        self.heads: list[dict[str, str]] = []
        self.bodies: list[bytes] = []
        self.connections = 0
        site = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def setup(self) -> None:
                site.connections += 1
                super().setup()

            def do_GET(self) -> None:
                site.heads.append(dict(self.headers.items()))
                site.bodies.append(self.rfile.read(int(self.headers.get("Content-Length", 0))))
                site.behaviour(self)

            do_POST = do_GET

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.01,))
        self.thread.start()
        self.url = f"http://127.0.0.1:{self.server.server_port}"

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


def answer(status: int, body: bytes, **headers: str) -> Behaviour:
    def behave(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        handler.send_header("Content-Length", str(len(body)))
        handler.end_headers()
        handler.wfile.write(body)

    return behave


@pytest.fixture
def site() -> Iterator[Site]:
    made = Site()
    yield made
    made.close()


@pytest.fixture
def transport(site: Site) -> Iterator[HttpTransport]:
    made = HttpTransport(site.url, key=lambda: "key-of-grader-07", timeout_s=5.0)
    yield made
    made.close()


GET = Request(method="GET", path="/v1/streams/x")
POST = Request(method="POST", path="/v1/readings", headers={"Content-Encoding": "zstd"}, body=b"packed")


def test_the_key_goes_in_the_head_and_the_body_goes_as_it_is(site: Site, transport: HttpTransport) -> None:
    reply = transport.send(POST)
    assert isinstance(reply, Reply)
    assert (reply.status, reply.body, reply.trusted) == (200, b"{}", True)
    assert site.heads[0]["Authorization"] == "Bearer key-of-grader-07"
    assert site.heads[0]["Content-Encoding"] == "zstd"
    assert site.bodies == [b"packed"]


def test_one_connection_serves_many_requests(site: Site, transport: HttpTransport) -> None:
    for _ in range(5):
        assert isinstance(transport.send(POST), Reply)
    assert site.connections == 1


def test_a_redirect_is_a_reply_and_not_followed(site: Site, transport: HttpTransport) -> None:
    site.behaviour = answer(302, b"", Location=f"{site.url}/elsewhere")
    reply = transport.send(GET)
    assert isinstance(reply, Reply)
    assert reply.status == 302
    assert len(site.heads) == 1


def test_an_endless_page_is_no_answer(site: Site, transport: HttpTransport) -> None:
    site.behaviour = answer(200, b"x" * (MAX_REPLY_BYTES + 1))
    assert isinstance(transport.send(GET), NoAnswer)


@pytest.mark.parametrize(("coding", "pack"), [("gzip", gzip.compress), ("zstd", zstandard.compress)])
def test_a_body_that_would_unfold_is_not_read(
    site: Site, transport: HttpTransport, coding: str, pack: Callable[[bytes], bytes]
) -> None:
    """13 kB of zstd took 700 MB here, of the whole machine's memory. Status and head count all the same."""
    site.behaviour = answer(503, pack(bytes(4 * MAX_REPLY_BYTES)), Content_Encoding=coding, Retry_After="7")
    reply = transport.send(Request(method="GET", path="/"))
    assert isinstance(reply, Reply)
    assert (reply.status, reply.headers["retry-after"], reply.body) == (503, "7", b"")
    assert site.heads[0]["Accept-Encoding"] == "identity"
    site.behaviour = answer(200, b"{}")
    assert isinstance(again := transport.send(Request(method="GET", path="/")), Reply)
    assert again.body == b"{}"


def test_a_link_that_breaks_in_mid_reply_is_no_answer(site: Site, transport: HttpTransport) -> None:
    def half(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        handler.wfile.write(b"half")
        handler.close_connection = True

    site.behaviour = half
    assert isinstance(transport.send(GET), NoAnswer)
    site.behaviour = answer(200, b"{}")
    assert isinstance(transport.send(GET), Reply), "the next request makes a new connection"


def test_a_server_that_trickles_does_not_hold_the_loop(site: Site) -> None:
    over = threading.Event()

    def trickle(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000")
        handler.end_headers()
        while not over.wait(0.02):
            handler.wfile.write(b".")
            handler.wfile.flush()
        handler.close_connection = True

    site.behaviour = trickle
    impatient = HttpTransport(site.url, key=lambda: "k", timeout_s=0.3)
    outcome = impatient.send(GET)
    over.set()
    impatient.close()
    assert outcome == NoAnswer("no whole reply within 0.3 s")


@pytest.mark.parametrize(
    "before", [b"HTTP/1.1 102 Processing\r\n\r\n", b"HTTP/1.1 200 OK\r\nX-Long: "], ids=["interim", "head"]
)
def test_a_head_that_never_ends_does_not_hold_the_loop(site: Site, before: bytes) -> None:
    over = threading.Event()

    def go_on(handler: BaseHTTPRequestHandler) -> None:
        handler.close_connection = True
        handler.wfile.write(before)
        while not over.wait(0.02):
            handler.wfile.write(before if before.endswith(b"\n") else b".")

    site.behaviour = go_on
    impatient = HttpTransport(site.url, key=lambda: "k", timeout_s=0.3)
    letting_go = threading.Timer(10.0, over.set)
    letting_go.start()
    outcome = impatient.send(GET)
    was_let_go = over.is_set()
    over.set()
    letting_go.cancel()
    impatient.close()
    assert (outcome, was_let_go) == (NoAnswer("no whole reply within 0.3 s"), False)


def test_a_body_without_a_length_that_is_cut_at_the_limit_is_no_answer(site: Site) -> None:
    over = threading.Event()

    def go_on(handler: BaseHTTPRequestHandler) -> None:
        handler.close_connection = True
        handler.wfile.write(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n\r\n{}")
        over.wait(10.0)

    site.behaviour = go_on
    impatient = HttpTransport(site.url, key=lambda: "k", timeout_s=0.3)
    outcome = impatient.send(GET)
    over.set()
    # Its last byte came at once, so the limits of one wait and of the whole end together.
    assert outcome in (NoAnswer("no whole reply within 0.3 s"), NoAnswer("ReadTimeout"))
    site.behaviour = answer(200, b"{}")
    assert isinstance(impatient.send(GET), Reply)
    impatient.close()


def test_nobody_there_is_no_answer() -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    gone = HttpTransport(f"http://127.0.0.1:{port}", key=lambda: "k", timeout_s=2.0)
    outcome = gone.send(GET)
    gone.close()
    assert isinstance(outcome, NoAnswer)
    assert "Connect" in outcome.reason
    assert outcome.was_connected is False


def test_a_key_that_cannot_be_read_is_no_answer(site: Site) -> None:
    def gone() -> str:
        raise SettingsWrong("key file is gone")

    transport = HttpTransport(site.url, key=gone)
    assert transport.send(GET) == NoAnswer("SettingsWrong: key file is gone", was_connected=False)
    transport.close()
    assert site.heads == []


@pytest.mark.parametrize("address", ["http://shop.example", "http://192.168.1.4:8080", "http://10.0.0.1"])
def test_a_key_never_leaves_the_machine_in_the_clear(address: str) -> None:
    with refused(SettingsWrong, "key_in_the_clear", address=address):
        check_address(address)


@pytest.mark.parametrize(
    "address", ["https://shop.example/", "http://127.0.0.1:1", "http://localhost:8", "http://[::1]:8"]
)
def test_https_and_loopback_are_addresses(address: str) -> None:
    assert check_address(address) == address.rstrip("/")


@pytest.mark.parametrize(
    "address", ["shop.example", "ftp://shop.example", "https://", "https://a@b", "https://a?x=1"]
)
def test_what_is_no_address_of_a_server_is_refused(address: str) -> None:
    with pytest.raises(SettingsWrong):
        check_address(address)


def test_a_certificate_file_that_is_none_is_named(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    with refused(SettingsWrong, "ca_file_empty"):
        HttpTransport("https://shop.example", key=lambda: "k", ca_file=tmp_path / "ca.pem")
