"""
A free port on loopback with a thread for each connection: what the links of simulator and tests stand on.

Leaves to others: what is said over a connection.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable
from contextlib import suppress


class LoopbackPort:
    """A listener whose connections are served until it is closed."""

    def __init__(self, serve: Callable[[socket.socket], None]) -> None:
        """serve : takes a connection, in a thread of its own, and closes it."""
        self._serve = serve
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    @property
    def url(self) -> str:
        """Where a client finds it."""
        return f"http://127.0.0.1:{self.port}"

    def begin(self, work: Callable[..., None], *arguments: object) -> None:
        """Do something in a thread that `close` waits for."""
        thread = threading.Thread(target=work, args=arguments, daemon=True)
        self._threads = [*(t for t in self._threads if t.is_alive()), thread]
        thread.start()

    def close(self) -> None:
        """Take no further connection, and wait for the threads: the caller ended what they wait for."""
        self._listener.shutdown(socket.SHUT_RDWR)  # closing alone does not wake who waits in accept
        self._accepting.join()
        self._listener.close()
        for thread in self._threads:
            thread.join()

    def _accept(self) -> None:
        with suppress(OSError):  # the listener is closed at the end
            while True:
                client, _ = self._listener.accept()
                self.begin(self._serve, client)
