"""Bytes over a socket to a real server, as no HTTP library would send them, and the answers to them."""

from __future__ import annotations

import json
import socket
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

WITHIN_S = 30.0  # generous: a server that does not answer within it has hung


@dataclass(frozen=True, slots=True)
class RawAnswer:
    """One answer, as it came. headers : names in lower case."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def code(self) -> str:
        """The code of a problem; empty where it is none."""
        if self.headers.get("content-type") != "application/problem+json":
            return ""
        document: dict[str, Any] = json.loads(self.body)
        return str(document["code"])


def connect(port: int, *, send_buffer_bytes: int | None = None) -> socket.socket:
    """A connection to the server on loopback. send_buffer_bytes : of the system; None: as it likes."""
    connection = socket.socket()
    connection.settimeout(WITHIN_S)
    if send_buffer_bytes is not None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, send_buffer_bytes)
    connection.connect(("127.0.0.1", port))
    return connection


def exchange(port: int, sent: bytes) -> list[RawAnswer]:
    """Send bytes, and give every answer until the server closes the connection."""
    with connect(port) as connection:
        with suppress(OSError):  # it may close before it has everything; its answer is still to be read
            connection.sendall(sent)
        return answers_in(rest_of(connection))


def rest_of(connection: socket.socket) -> bytes:
    """Everything until the server closes."""
    received = bytearray()
    with suppress(ConnectionResetError):
        while piece := connection.recv(65_536):
            received += piece
    return bytes(received)


def answers_in(received: bytes) -> list[RawAnswer]:
    """The answers in what a server sent; interim ones (1xx) are left out."""
    answers = []
    while received:
        head, _, received = received.partition(b"\r\n\r\n")
        first, *lines = head.decode("latin-1").split("\r\n")
        pairs = (line.partition(":") for line in lines)
        headers = {name.lower(): value.strip() for name, _, value in pairs}
        status = int(first.split(" ")[1])
        if status < 200:
            continue
        size = int(headers.get("content-length", "0"))
        body, received = received[:size], received[size:]
        answers.append(RawAnswer(status, headers, body))
    return answers
