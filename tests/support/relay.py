"""
A relay between server and PostgreSQL for tests: it can lose the connection exactly in COMMIT, or stand still.

Promises: what it relays it relays byte for byte, over the same kind of socket. Only a transaction that brings
readings (a binary COPY, or a block) is cut, so that the test says which one. Leaves to others: what is then
promised.
"""

from __future__ import annotations

import re
import socket
import threading
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa

_OF_BLOCKS = b"INSERT INTO blocks"
#: the name of a prepared statement and its text (PostgreSQL manual, "Message Formats", Parse)
_PREPARED = re.compile(rb"(\w+)\0" + _OF_BLOCKS)
#: what happens to the next COMMIT of readings
REACHED, DID_NOT_REACH = "reached", "did not reach"


class Relay:
    """Use as a context manager; `url` is the database through the relay."""

    def __init__(self, url: str, folder: Path) -> None:
        parsed = sa.make_url(url)
        host = parsed.query["host"]
        assert isinstance(host, str)
        self._to = f"{host}/.s.PGSQL.{parsed.port or parsed.query.get('port', 5432)}"
        self.url = parsed.set(query={**parsed.query, "host": str(folder)}).render_as_string(
            hide_password=False
        )
        self.fate = ""
        self.cut = 0
        self._gate = threading.Event()
        self._gate.set()
        self._open: list[socket.socket] = []
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(folder / ".s.PGSQL.5432"))
        self._listener.listen(64)
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def stand_still(self) -> None:
        """Nothing goes through until `go_on`: a database that does not answer."""
        self._gate.clear()

    def go_on(self) -> None:
        """Everything goes through again."""
        self._gate.set()

    def __enter__(self) -> Relay:
        return self

    def __exit__(self, *_: object) -> None:
        self._gate.set()
        self._listener.shutdown(socket.SHUT_RDWR)  # closing alone does not wake who waits in accept
        self._threads[0].join()
        self._listener.close()
        _shut(*self._open)
        for thread in self._threads:
            thread.join()
        for end in self._open:
            end.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            server = socket.socket(socket.AF_UNIX)
            server.connect(self._to)
            self._open += [client, server]
            for way in (self._up, self._down):
                thread = threading.Thread(target=way, args=(client, server), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _up(self, client: socket.socket, server: socket.socket) -> None:
        brings_readings = False
        signs = [b"PGCOPY", _OF_BLOCKS]
        with suppress(OSError):
            while data := client.recv(2**16):
                self._gate.wait()
                signs += _PREPARED.findall(data)  # from its next use on it has a name alone
                brings_readings |= any(sign in data for sign in signs)
                if b"COMMIT" in data:
                    if self.fate and brings_readings:
                        self._lose(client, server, data)
                        return
                    brings_readings = False
                server.sendall(data)
        _shut(client, server)

    def _lose(self, client: socket.socket, server: socket.socket, data: bytes) -> None:
        reaches, self.fate = self.fate == REACHED, ""
        self.cut += 1  # first: whoever waits for the answer may look at it at once
        _shut(client)  # the server of ours sees its connection end now
        if reaches:
            server.sendall(data)  # and the database commits all the same
        else:
            _shut(server)  # it takes back what it has; were it not told, its own time limit would

    def _down(self, client: socket.socket, server: socket.socket) -> None:
        with suppress(OSError):
            while data := server.recv(2**16):
                self._gate.wait()
                client.sendall(data)
        _shut(client, server)


def _shut(*ends: socket.socket) -> None:
    for end in ends:
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
