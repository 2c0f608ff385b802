"""One connection over a real socket and a small app, with the time of the test's own where time decides."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from functools import partial
from typing import Any

import pytest
import uvicorn
from uvicorn.server import ServerState

from cleanside.ingest.api import connection
from cleanside.ingest.api.connection import LINGER_S, MAX_HEADS_BYTES, STUCK_S, Bounds, Connection, look_at
from cleanside.ingest.api.http_rules import MAX_HEAD_BYTES

HOST = b"Host: shop.example\r\n"
POST = b"POST / HTTP/1.1\r\n" + HOST
WAIT_S = 60.0

App = Callable[[Any, Any, Any], Awaitable[None]]


async def endless_answer(_scope: Any, _receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    while True:
        await send({"type": "http.response.body", "body": b"a" * 65_536, "more_body": True})
        await asyncio.sleep(0)


async def read_all(_scope: Any, receive: Any, send: Any) -> None:
    while (message := await receive())["type"] == "http.request" and message["more_body"]:
        pass
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"0")]})
    await send({"type": "http.response.body", "body": b""})


class Served:
    """A small server in this loop."""

    def __init__(self, port: int, state: ServerState, bounds: Bounds) -> None:
        self.port, self.state, self.bounds = port, state, bounds

    async def connected(self, sent: bytes) -> tuple[asyncio.StreamReader, asyncio.StreamWriter, Connection]:
        """A client that has sent this, and the server's end of its connection."""
        before = set(self.state.connections)
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port, limit=4_096)
        writer.write(sent)
        await until(lambda: len(self.state.connections) > len(before))
        (found,) = self.state.connections - before
        assert isinstance(found, Connection)
        return reader, writer, found

    def look(self, after_s: float, *, since_last_s: float = 1.0) -> None:
        """Look at all connections as of so many seconds from now."""
        look_at(self.state.connections, asyncio.get_running_loop().time() + after_s, since_last_s)


@asynccontextmanager
async def serving(app: App) -> AsyncIterator[Served]:
    config = uvicorn.Config(app, ws="none", log_config=None, lifespan="off")
    config.load()
    state = ServerState()
    bounds = Bounds(address_connections=100, request_wait_s=WAIT_S)
    make = partial(Connection, bounds, config=config, server_state=state, app_state={})
    server = await asyncio.get_running_loop().create_server(make, "127.0.0.1", 0)
    try:
        yield Served(server.sockets[0].getsockname()[1], state, bounds)
    finally:
        server.close()
        for connection in list(state.connections):
            connection.transport.abort()
        for task in list(state.tasks):
            task.cancel()
        await asyncio.gather(*state.tasks, return_exceptions=True)


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(30):
        while not true():
            await asyncio.sleep(0.001)


def run(test: Callable[[], Awaitable[None]]) -> None:
    asyncio.run(test())  # type: ignore[arg-type]


def test_a_body_that_keeps_coming_slowly_is_waited_for_and_one_that_stops_is_not() -> None:
    async def test() -> None:
        async with serving(read_all) as served:
            reader, writer, connection = await served.connected(POST + b"Content-Length: 100000\r\n\r\n")
            writer.write(b"a" * 25_600)
            await until(lambda: connection._body_bytes == 25_600)
            served.look(WAIT_S + 95)
            assert not connection.transport.is_closing()
            served.look(WAIT_S + 105)
            assert (await reader.readuntil(b"\r\n")).startswith(b"HTTP/1.1 408 ")
            writer.close()

    run(test)


def test_a_body_that_the_server_does_not_read_is_not_late() -> None:
    ends = asyncio.Event()

    async def app(_scope: Any, _receive: Any, _send: Any) -> None:
        await ends.wait()

    async def test() -> None:
        async with serving(app) as served:
            _, writer, connection = await served.connected(POST + b"Content-Length: 1000000\r\n\r\n")
            writer.write(b"a" * 500_000)
            await until(lambda: connection.flow.read_paused)
            for second in range(0, 2_000, 10):
                served.look(second, since_last_s=10.0)
            assert not connection._deaf
            writer.close()
            ends.set()

    run(test)


def test_a_client_that_does_not_read_its_answer_is_given_up_in_the_end() -> None:
    async def test() -> None:
        async with serving(endless_answer) as served:
            _, writer, connection = await served.connected(b"GET / HTTP/1.1\r\n" + HOST + b"\r\n")
            await until(lambda: connection.flow.write_paused)
            served.look(0.0)
            served.look(STUCK_S - 1)
            assert connection in served.state.connections
            served.look(STUCK_S + 1)
            await until(lambda: connection not in served.state.connections)
            writer.close()

    run(test)


def test_a_client_that_never_closes_after_a_refusal_is_closed() -> None:
    async def test() -> None:
        async with serving(read_all) as served:
            reader, writer, connection = await served.connected(b"no request\r\n\r\n")
            assert (await reader.readuntil(b"\r\n")).startswith(b"HTTP/1.1 400 ")
            served.look(LINGER_S + 1)
            await until(lambda: connection not in served.state.connections)
            writer.close()

    run(test)


def test_heads_under_way_are_bounded_all_together_and_those_that_come_whole_are_taken() -> None:
    async def test() -> None:
        async with serving(read_all) as served:
            served.bounds.heads_bytes = MAX_HEADS_BYTES  # as many others hold
            whole, first, _ = await served.connected(b"GET / HTTP/1.1\r\n" + HOST + b"\r\n")
            assert (await whole.readuntil(b"\r\n")).startswith(b"HTTP/1.1 200 ")
            part, second, _ = await served.connected(b"GET / HTTP/1.1\r\n")
            assert (await part.readuntil(b"\r\n")).startswith(b"HTTP/1.1 503 ")
            for writer in (first, second):
                writer.close()
            await until(lambda: not served.state.connections)
            assert served.bounds.heads_bytes == MAX_HEADS_BYTES

    run(test)


def test_what_a_connection_held_is_free_again_when_it_is_lost() -> None:
    async def test() -> None:
        async with serving(read_all) as served:
            _, writer, _ = await served.connected(b"GET / HTTP/1.1\r\nX-A: " + b"a" * (MAX_HEAD_BYTES // 2))
            await until(lambda: served.bounds.heads_bytes > MAX_HEAD_BYTES // 2)
            writer.transport.abort()
            await until(lambda: served.bounds.heads_bytes == 0)

    run(test)


@pytest.mark.parametrize(
    ("trusted", "counted"),
    [
        ([], True),
        (["192.0.2.7"], False),
        (["192.0.2.0/24"], False),
        (["*"], False),
        (["2001:db8::/32"], True),
    ],
)
def test_a_proxy_that_is_named_is_not_counted(trusted: list[str], counted: bool) -> None:
    bounds = Bounds(address_connections=1, request_wait_s=WAIT_S, trusted=trusted)
    assert (bounds.enter("192.0.2.7") is not None) is counted
    if counted:
        with pytest.raises(OverflowError):
            bounds.enter("192.0.2.7")
    else:
        assert bounds.enter("192.0.2.7") is None


def test_a_network_of_ipv6_is_one_address_and_no_limit_is_none() -> None:
    """RFC 6177: a site has at least a /64 to itself."""
    bounds = Bounds(address_connections=1, request_wait_s=WAIT_S)
    assert bounds.enter("2001:db8::1")
    with pytest.raises(OverflowError):
        bounds.enter("2001:db8::2")
    bounds.leave("2001:db8::")
    assert bounds.enter("2001:db8::2")
    unlimited = Bounds(address_connections=0, request_wait_s=WAIT_S)
    assert [unlimited.enter("192.0.2.7") for _ in range(3)] == [None] * 3


class _Written:
    """A transport that notes each piece."""

    def __init__(self) -> None:
        self.pieces: list[bytes] = []

    def write(self, data: bytes) -> None:
        self.pieces.append(data)

    def is_closing(self) -> bool:
        return False


def test_an_answer_is_one_write_and_a_head_alone_waits_for_no_body() -> None:
    async def answers() -> tuple[list[bytes], list[bytes], list[bytes]]:
        loop, closed = asyncio.get_running_loop(), list[bytes]()
        whole, stream, empty = _Written(), _Written(), _Written()
        answer = connection._OfAnswer(whole, loop, lambda: None)  # type: ignore[arg-type]
        for piece in (b"head ", b"body", b" more"):
            answer.write(piece)
        connection._OfAnswer(stream, loop, lambda: None).write(b"head ")  # type: ignore[arg-type]
        assert stream.pieces == []
        await asyncio.sleep(0)
        ends = connection._OfAnswer(empty, loop, lambda: closed.extend(empty.pieces))  # type: ignore[arg-type]
        ends.write(b"head of no content")
        ends.close()
        await asyncio.sleep(0)
        assert closed == empty.pieces  # closed only after it was written
        return whole.pieces, stream.pieces, empty.pieces

    whole, stream, empty = asyncio.run(answers())
    assert whole == [b"head body", b" more"]
    assert stream == [b"head "]
    assert empty == [b"head of no content"]
