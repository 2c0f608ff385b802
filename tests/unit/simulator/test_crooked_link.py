"""Each mode of a link does the one wrong thing that it is named after, against a server that counts."""

from __future__ import annotations

import http.server
import json
import socket
import threading
from collections.abc import Iterator

import httpx
import pytest

from cleanside.simulator.crooked_link import MODES, STRAIGHT, CrookedLink
from cleanside.simulator.errors import CalledWrongly

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
#: mode -> how often the server did what it was asked, and what the client heard
HEARD = {
    STRAIGHT: (1, "answer"),
    "refused": (0, "nothing"),
    "silent": (0, "nothing"),
    "half_open": (1, "nothing"),
    "cut_in_request": (0, "nothing"),
    "reply_lost": (1, "nothing"),
    "cut_in_reply": (1, "nothing"),
    "trickle": (1, "answer"),
    "delayed": (1, "answer"),
    "repeated": (2, "answer"),
    "late_again": (2, "answer"),
    "unavailable": (0, "status 503"),
    "bad_gateway": (1, "status 5xx"),
    "portal": (0, "page"),
    "redirected": (0, "status 302"),
    "garbled": (1, "garbage"),
    "kept_reply": (1, "answer"),
    "boastful": (1, "boast"),
}


class Counting:
    """A server that counts whole requests and answers as ours does."""

    def __init__(self) -> None:
        self.bodies: list[bytes] = []
        self.more = threading.Condition()
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if len(body) < int(self.headers["Content-Length"]):
                    return
                with outer.more:
                    outer.bodies.append(body)
                    outer.more.notify_all()
                    number = len(outer.bodies)
                said = json.dumps({"stream": STREAM, "acknowledged_through": 9, "answer": number}).encode()
                self.send_response(200)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(said)))
                self.end_headers()
                self.wfile.write(said)

            def log_message(self, *_: object) -> None:
                """Not a word."""

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever)
        self._thread.start()

    def wait_for(self, count: int) -> None:
        with self.more:
            assert self.more.wait_for(lambda: len(self.bodies) >= count, 30)

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def counting() -> Iterator[Counting]:
    server = Counting()
    yield server
    server.close()


def ask(link: CrookedLink, body: bytes = b"x" * 3000) -> str:
    """What a client hears, in a word."""
    try:
        reply = httpx.post(f"{link.url}/v1/readings", content=body, timeout=5.0, trust_env=False)
    except httpx.HTTPError:
        return "nothing"
    if reply.status_code >= 500:
        return "status 503" if reply.status_code == 503 else "status 5xx"
    if reply.status_code != 200:
        return f"status {reply.status_code}"
    if reply.headers["content-type"] != "application/json":
        return "page"
    try:
        said = reply.json()
    except ValueError:
        return "garbage"
    return "answer" if said["acknowledged_through"] == 9 else "boast"


def test_every_mode_is_tried_here() -> None:
    assert set(HEARD) == set(MODES)


@pytest.mark.parametrize("mode", HEARD)
def test_a_mode_does_what_its_name_says(counting: Counting, mode: str) -> None:
    times, heard = HEARD[mode]
    with CrookedLink(counting.port, seed="7") as link:
        link.go(mode)
        if mode in ("silent", "half_open"):  # ended by the next mode, not by the client's patience
            threading.Timer(0.2, link.go, [STRAIGHT]).start()
        assert ask(link) == heard
        assert link.met == {mode: 1}
        assert link.wait_met(0) == (mode not in ("silent", "half_open")), "since the mode was set"
    counting.wait_for(times)
    assert counting.bodies == [b"x" * 3000] * times


def test_a_cache_without_sense_gives_the_first_answer_for_ever(counting: Counting) -> None:
    with CrookedLink(counting.port, seed="7") as link:
        link.go("kept_reply")
        said = [httpx.post(f"{link.url}/a", content=b"1", trust_env=False).json() for _ in range(3)]
    assert [answer["answer"] for answer in said] == [1, 1, 1]


def test_a_link_without_a_server_answers_nothing() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with CrookedLink(port, seed="7") as link:
        assert ask(link) == "nothing"


def test_a_mode_that_there_is_none_of_is_refused(counting: Counting) -> None:
    with CrookedLink(counting.port, seed="7") as link, pytest.raises(CalledWrongly):
        link.go("sideways")
