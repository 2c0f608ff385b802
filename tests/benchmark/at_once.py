"""
A server that answers at once, on loopback, for the gateway's benchmarks; it counts what went over the wire.

It speaks the contract as far as a gateway needs it and keeps nothing. It runs in the benchmark's own process.
"""

from __future__ import annotations

import http.server
import io
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import cast

import zstandard

from cleanside.gateway.uplink.asking import PATH
from cleanside.gateway.wire import Answer, decode, encode_answer, instant_text

#: body as sent -> the highest number in it
Through = Callable[[bytes], int]


def by_decoding(body: bytes) -> int:
    """Look into the batch: for benchmarks that do not measure the server's share."""
    if body.startswith(b"\x28\xb5\x2f\xfd"):  # zstd's magic number, RFC 8878 section 3.1.1
        body = zstandard.ZstdDecompressor().decompressobj().decompress(body)
    return max(decode(body).seq or [0])


def by_counting(size: int) -> Through:
    """Look at nothing: every batch holds `size` readings, one after the other."""
    through = 0

    def next_through(_body: bytes) -> int:
        nonlocal through
        through += size
        return through

    return next_through


@dataclass
class Counted:
    """What went over the wire since the server began, heads included."""

    port: int = 0
    up_bytes: int = 0
    down_bytes: int = 0
    #: bytes of each request with readings, head included, and of its body
    posts: list[tuple[int, int]] = field(default_factory=list)


class _Reading:
    """A connection's input that counts."""

    def __init__(self, inner: io.BufferedIOBase) -> None:
        self._inner = inner
        self.count = 0

    def read(self, size: int) -> bytes:
        got = self._inner.read(size)
        self.count += len(got)
        return got

    def readline(self, size: int = -1) -> bytes:
        got = self._inner.readline(size)
        self.count += len(got)
        return got

    def close(self) -> None:
        self._inner.close()


@contextmanager
def serving(through: Through = by_decoding) -> Iterator[Counted]:
    """Serve on a free port until the block ends."""
    counted = Counted()

    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True
        stream = ""
        marks: dict[str, int] = {}  # noqa: RUF012 - of all connections of this server

        def setup(self) -> None:
            super().setup()
            self.input = _Reading(self.rfile)
            self.rfile = cast(io.BufferedReader, self.input)
            self.before = 0

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if self.path == PATH:
                self._say(self._marks(json.loads(body)["streams"]))
                return
            stream, mark = type(self).stream, through(body)
            self.marks[stream] = mark
            answer = Answer(stream=stream, acknowledged_through=mark, stored=0, server_time_us=1)
            counted.posts.append((self.input.count - self.before, len(body)))
            self._say(encode_answer(answer))

        def _marks(self, asked: list[dict[str, object]]) -> bytes:
            """The first stream is the one that is sent from now on."""
            names = [str(entry["stream"]) for entry in asked]
            type(self).stream = names[0]
            lines = [
                {"stream": name, "acknowledged_through": self.marks.get(name, 0), "highest": 0}
                for name in names
            ]
            document = {"streams": lines, "unknown": [], "server_time": instant_text(1)}
            return json.dumps(document).encode()

        def _say(self, body: bytes) -> None:
            head = "HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
            reply = f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body
            self.wfile.write(reply)
            count = self.input.count
            counted.up_bytes += count - self.before
            counted.down_bytes += len(reply)
            self.before = count

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        counted.port = server.server_port
        threading.Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield counted
        finally:
            server.shutdown()
