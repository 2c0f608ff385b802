"""One exchange over HTTP/1.1: the connection stays where it may, and a fault is an outcome."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request
from cleanside.simulator.loopback import LoopbackPort
from cleanside.simulator.server_line import HEAD_END, ServerLine

REQUEST = Request(method="POST", path="/v1/readings", headers={"Content-Type": "text/plain"}, body=b"abc")
WELL = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nX-Kind: well\r\n\r\nok"


class Answering:
    """A server on loopback that answers every request with the same bytes."""

    def __init__(self, answer: bytes, *, closes: bool = False) -> None:
        self.answer, self.closes = answer, closes
        self.connections = 0
        self.received: list[bytes] = []

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        try:
            while True:
                head = await reader.readuntil(HEAD_END)
                self.received.append(head + await reader.readexactly(3))
                writer.write(self.answer)
                if self.closes:
                    break
        except asyncio.IncompleteReadError:
            pass
        finally:
            writer.close()


def asked(
    server: Answering, ask: Callable[[ServerLine], Awaitable[object]], *, timeout_s: float = 20.0
) -> None:
    async def run() -> None:
        listener = await asyncio.start_server(server.serve, "127.0.0.1", 0)
        async with listener:
            port = listener.sockets[0].getsockname()[1]
            line = ServerLine(f"http://127.0.0.1:{port}", key="secret", timeout_s=timeout_s)
            await ask(line)
            line.close()

    asyncio.run(run())


def outcomes(server: Answering, count: int = 1, *, timeout_s: float = 20.0) -> list[Outcome]:
    found: list[Outcome] = []

    async def ask(line: ServerLine) -> None:
        for _ in range(count):
            found.append(await line.send(REQUEST))

    asked(server, ask, timeout_s=timeout_s)
    return found


def test_a_connection_serves_many_requests() -> None:
    server = Answering(WELL)
    replies = outcomes(server, 3)
    assert [(r.status, r.body, r.headers["x-kind"]) for r in replies if isinstance(r, Reply)] == [
        (200, b"ok", "well")
    ] * 3
    assert server.connections == 1


def test_a_request_carries_key_length_and_body() -> None:
    server = Answering(WELL)
    outcomes(server)
    head, _, body = server.received[0].partition(HEAD_END)
    lines = head.decode().split("\r\n")
    assert lines[0] == "POST /v1/readings HTTP/1.1"
    assert {"Authorization: Bearer secret", "Content-Length: 3", "Content-Type: text/plain"} <= set(lines)
    assert body == b"abc"


def test_a_server_that_closes_after_an_answer_is_asked_on_another_connection() -> None:
    server = Answering(WELL.replace(b"X-Kind: well", b"Connection: close"), closes=True)
    assert all(isinstance(outcome, Reply) for outcome in outcomes(server, 2))
    assert server.connections == 2


def test_a_reply_without_a_length_ends_with_its_connection() -> None:
    [reply] = outcomes(Answering(b"HTTP/1.1 200 OK\r\n\r\nall of it", closes=True))
    assert isinstance(reply, Reply)
    assert reply.body == b"all of it"


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"HTTP/1.1 200 OK\r\nContent-Le",
        b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nok",
        b"HTTP/1.1 200 OK\r\nContent-Length: 99999999\r\n\r\nok",
        b"HTTP/1.1 200 OK\r\nContent-Length: -1\r\n\r\nok",
        b"HTTP/1.1 twice\r\n\r\n",
        b"SSH-2.0-other\r\n\r\n",
        b"x" * 200_000,
    ],
)
def test_what_is_no_whole_reply_is_no_answer(answer: bytes) -> None:
    assert [type(outcome) for outcome in outcomes(Answering(answer, closes=True))] == [NoAnswer]


def test_a_server_that_says_nothing_is_no_answer_after_a_while() -> None:
    assert [type(outcome) for outcome in outcomes(Answering(b""), timeout_s=0.05)] == [NoAnswer]


def test_a_server_that_is_not_there_is_no_answer() -> None:
    port = LoopbackPort(lambda _: None)
    port.close()
    line = ServerLine(port.url, key="secret", timeout_s=20.0)
    assert isinstance(asyncio.run(line.send(REQUEST)), NoAnswer)
