"""
The requests of a herd, made by real gateways before the clock starts and posted by a light client.

A gateway's own work for a batch (its disk, its packing, its HTTP library) is done on its machine and not on
the server's, but here both share the processor: a herd of real gateways takes more of it than the server.
`record` lets a real uplink empty a real spool into a server that takes everything, and keeps each request
with its body, byte for byte. `post_all` sends them as that gateway would: one at a time, on one connection,
each again until it is answered with 200 and the mark that was expected, after the waits of `uplink.decision`.
Left out: a gateway asks for its marks again after an error of the link; this one sends the same again.
"""

from __future__ import annotations

import asyncio
import base64
import json
import random
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import zstandard

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.decision import full_jitter_s
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import Outcome, Reply, Request
from cleanside.gateway.version import VERSION
from cleanside.gateway.wire import ANSWER_MEDIA_TYPE, Answer, decode, encode_answer, instant_text

MARKS = "/v1/streams/marks"
LATER = 0.1  # of a Retry-After, at most, as `uplink.decision` spreads them


class Posted(NamedTuple):
    """One request of a gateway, and the mark in the answer to it; None: it is no batch."""

    method: str
    path: str
    headers: Mapping[str, str]
    body: bytes
    mark: int | None


class Recorder:
    """A transport to a server that takes everything."""

    def __init__(self) -> None:
        self.posted: list[Posted] = []

    def send(self, request: Request) -> Outcome:
        """Keep a request, and answer it."""
        now_us = time.time_ns() // 1000
        mark = None
        if request.path == MARKS:
            asked = [entry["stream"] for entry in json.loads(request.body)["streams"]]
            answer = json.dumps(
                {"streams": [], "unknown": asked, "server_time": instant_text(now_us)}
            ).encode()
            media_type = "application/json"
        else:
            body = zstandard.ZstdDecompressor().decompressobj().decompress(request.body)
            batch = decode(body)
            assert batch.seq is not None
            mark, media_type = batch.seq[-1], ANSWER_MEDIA_TYPE
            took = Answer(stream=batch.stream, acknowledged_through=mark, server_time_us=now_us)
            answer = encode_answer(replace(took, stored=len(batch)))
        self.posted.append(Posted(request.method, request.path, request.headers, request.body, mark))
        return Reply(status=200, headers={"content-type": media_type}, body=answer, trusted=True)

    def close(self) -> None:
        """Nothing is open."""


def record(spool: Spool, file: Path) -> None:
    """Empty a spool into a file of requests."""
    recorder = Recorder()
    uplink = Uplink(spool, recorder, clock=SystemClock(), random=random.random, log=lambda *_, **__: None)
    while not uplink.step().idle:
        pass
    lines = [
        json.dumps(
            one._asdict() | {"body": base64.b64encode(one.body).decode(), "headers": dict(one.headers)}
        )
        for one in recorder.posted
    ]
    file.write_text("\n".join(lines))


def recorded(file: Path) -> list[Posted]:
    """The requests in a file."""
    found = [json.loads(line) for line in file.read_text().splitlines()]
    return [Posted(**one | {"body": base64.b64decode(one["body"])}) for one in found]


class Poster:
    """One gateway that comes back, its requests ready."""

    def __init__(self, posted: Sequence[Posted], server: str, token: str, seen: Counter[str]) -> None:
        parts = urlsplit(server)
        self._place = parts.hostname, parts.port
        self._seen = seen
        self._link: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        same = f"Host: {parts.netloc}\r\nAccept-Encoding: identity\r\nConnection: keep-alive\r\n"
        same += f"User-Agent: cleanside-gateway/{VERSION}\r\nAuthorization: Bearer {token}\r\n"
        self._left = [(_in_full(one, same), one.mark) for one in reversed(posted)]
        #: when the last one was answered, after it came back [s]
        self.took_s: float | None = None

    @property
    def left(self) -> int:
        """How many requests are not answered."""
        return len(self._left)

    async def post_all(self, begin_s: float, end_s: float) -> None:
        """From its moment on, post until nothing is left; both on the monotonic clock."""
        await asyncio.sleep(max(0.0, begin_s - time.monotonic()))
        failures = 0
        while self._left and time.monotonic() < end_s:
            request, mark = self._left[-1]
            try:
                status, wait_s, body = await self._exchanged(request)
            except (OSError, asyncio.IncompleteReadError) as error:
                self._seen[type(error).__name__] += 1
                self._close()
                await asyncio.sleep(full_jitter_s(failures, random.random()))
                failures += 1
                continue
            self._seen[str(status)] += 1
            if status == 200 and (mark is None or json.loads(body)["acknowledged_through"] == mark):
                self._left.pop()
                failures = 0
            elif wait_s is not None:
                await asyncio.sleep(wait_s * (1 + LATER * random.random()))
            else:
                raise RuntimeError(f"a batch was answered {status} {body[:200]!r}")
        self._close()
        if not self._left:
            self.took_s = time.monotonic() - begin_s

    async def _exchanged(self, request: bytes) -> tuple[int, float | None, bytes]:
        """Status, Retry-After and body of an answer."""
        if self._link is not None and self._link[0].at_eof():  # the server has closed it, as it may
            self._close()
        if self._link is None:
            self._link = await asyncio.open_connection(*self._place)
        reader, writer = self._link
        writer.write(request)
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).lower()
        except asyncio.IncompleteReadError as error:
            raise ConnectionResetError("closed instead of an answer") from error
        body = await reader.readexactly(int(_field(head, b"content-length") or 0))
        again = _field(head, b"retry-after")
        return int(head[9:12]), None if again is None else float(again), body

    def _close(self) -> None:
        if self._link is not None:
            self._link[1].close()
            self._link = None


def _in_full(one: Posted, same: str) -> bytes:
    own = "".join(f"{name}: {value}\r\n" for name, value in one.headers.items())
    head = f"{one.method} {one.path} HTTP/1.1\r\n{same}{own}Content-Length: {len(one.body)}\r\n\r\n"
    return head.encode() + one.body


def _field(head: bytes, name: bytes) -> bytes | None:
    _, found, rest = head.partition(b"\r\n" + name + b": ")
    return rest.partition(b"\r\n")[0] if found else None


async def post_all(posters: Sequence[Poster], begins_s: Sequence[float], end_s: float) -> None:
    """All of them, each from its moment on."""
    await asyncio.gather(
        *(one.post_all(begin_s, end_s) for one, begin_s in zip(posters, begins_s, strict=True))
    )


def outcome(posters: Sequence[Poster]) -> dict[str, Any]:
    """What became of them: how many are done, and how many requests are left."""
    took = sorted(one.took_s for one in posters if one.took_s is not None)
    return {"done": len(took), "waiting": sum(one.left for one in posters), "took_s": took}
