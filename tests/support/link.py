"""
A radio link for tests: a TCP relay on loopback that can be cut, and that can lose replies or bring them late.

Promises: what it relays it relays byte for byte. `cut()` closes every connection and refuses new ones;
`lose_replies(n)` lets n POST requests through to the server and drops the connection before the answer.
"""

from __future__ import annotations

import socket
import threading
import time
from contextlib import suppress

from cleanside.simulator.loopback import LoopbackPort


class Link:
    """Relay from a free loopback port to a server; use as a context manager."""

    def __init__(self, server_port: int, *, replies_late_s: float = 0.0) -> None:
        """replies_late_s : how much later than the server gives it each piece of an answer arrives [s]."""
        self.server_port = server_port
        self._replies_late_s = replies_late_s
        self.replies_lost = 0
        self._lose = 0
        self._is_up = True
        self._lock = threading.Lock()
        self._open: set[socket.socket] = set()
        self._posting: set[socket.socket | None] = set()
        self._entrance = LoopbackPort(self._connect)
        self.port = self._entrance.port
        #: where a gateway finds the server through this link
        self.url = self._entrance.url

    def cut(self) -> None:
        """No coverage: open connections break, new ones are closed at once."""
        with self._lock:
            self._is_up = False
            self._close_all()

    def restore(self) -> None:
        """Coverage again."""
        with self._lock:
            self._is_up = True

    def lose_replies(self, count: int) -> None:
        """The next `count` answers to POST requests are lost after the server gave them."""
        with self._lock:
            self._lose = count

    def __enter__(self) -> Link:
        return self

    def __exit__(self, *_: object) -> None:
        self.cut()
        self._entrance.close()

    def _close_all(self) -> None:
        for side in self._open:
            with suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)
        self._open.clear()

    def _connect(self, client: socket.socket) -> None:
        with client, suppress(OSError):
            server = socket.create_connection(("127.0.0.1", self.server_port))
            with server:
                with self._lock:
                    if not self._is_up:
                        return
                    self._open |= {client, server}
                up = threading.Thread(target=self._pump, args=(client, server), daemon=True)
                up.start()
                self._pump(server, client, asked_by=client)
                up.join()

    def _pump(
        self, source: socket.socket, sink: socket.socket, *, asked_by: socket.socket | None = None
    ) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if data.startswith((b"GET ", b"POST ")):
                    self._posting = self._posting - {source} | ({source} if data[:1] == b"P" else set())
                if asked_by in self._posting and self._takes_reply():
                    break
                if asked_by is not None and self._replies_late_s:
                    time.sleep(self._replies_late_s)
                sink.sendall(data)
        for side in (source, sink):
            with suppress(OSError):
                side.shutdown(socket.SHUT_RDWR)

    def _takes_reply(self) -> bool:
        with self._lock:
            if not self._lose:
                return False
            self._lose -= 1
            self.replies_lost += 1
            return True
