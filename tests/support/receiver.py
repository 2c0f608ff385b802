"""
A receiver of webhooks for tests: a real HTTP server on loopback that keeps what came and answers as told.

Promises: what was received is kept as it came, before the answer; `answers` are given in turn, then `always`.
"""

from __future__ import annotations

import ssl
import threading
import time
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

#: instead of a status: the connection is closed without an answer, once the request was kept
LOST = -1


@dataclass(frozen=True)
class Received:
    """One request."""

    path: str
    headers: dict[str, str]
    body: bytes


class Receiver:
    """Use as a context manager."""

    def __init__(self, tls: ssl.SSLContext | None = None) -> None:
        self.received: list[Received] = []
        self.answers: list[int] = []
        self.always = 204
        self.location = ""
        self.may_answer = threading.Event()  # cleared: a request is kept, its answer waits
        self.may_answer.set()
        self.lock = threading.Lock()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                with outer.lock:
                    outer.received.append(Received(self.path, dict(self.headers.items()), body))
                    status = outer.answers.pop(0) if outer.answers else outer.always
                outer.may_answer.wait(30.0)
                if status == LOST:
                    self.close_connection = True
                    return
                self.send_response(status)
                if outer.location:
                    self.send_header("Location", outer.location)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """Tests say what matters."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}/hook"

    def __enter__(self) -> Receiver:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def wait_for(self, count: int, *, within_s: float = 30.0) -> list[Received]:
        """Until so many requests came."""
        deadline = time.monotonic() + within_s
        waiting = threading.Event()
        while len(self.received) < count:
            assert time.monotonic() < deadline, f"{len(self.received)} of {count} came"
            waiting.wait(0.02)
        return list(self.received)
