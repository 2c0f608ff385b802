"""
A Unix socket that programs on the same machine write readings to, several at once.

Promises: each client is served by a thread of its own, so that one that is stuck, slow or silent stops no
other; a client that breaks off is closed and the others continue; at most `MOST_CLIENTS` at a time, more
wait in the kernel's queue; the socket is open to its owner and group only, and gone when `serve` ends.
A socket left behind by a killed process is replaced; one that a process still listens on is not.
Leaves to others: what the bytes mean (`gateway.sources.ndjson`).
"""

from __future__ import annotations

import os
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from cleanside.gateway.errors import SourceWrong, why

MOST_CLIENTS: Final = 32  # a machine has a handful of programs that measure; chosen
_LOOK_S: Final = 0.25  # how soon a stop is noticed
_FINISH_S: Final = 0.5  # a client's thread notices the stop within half of it, then appends (chosen)
_MODE: Final = 0o660  # writers of readings: owner and group only

Take = Callable[[int], None]


def serve(path: Path, take: Take, stop: threading.Event, *, mode: int = _MODE) -> None:
    """
    Listen at `path` until `stop`; call `take` with each client's descriptor, in a thread of its own.

    take : reads until the client ends or `stop` is set. What it raises ends that client, and then the call,
    so that the caller restarts the source and reports why. mode : of the socket.
    Raises SourceWrong, OSError.
    """
    clients = _Clients(take)
    with _listening(path, mode) as listener:
        while not stop.is_set():
            clients.check()
            if clients.room.acquire(timeout=_LOOK_S) and not _accept(listener, clients):
                clients.room.release()
    clients.wait()


def _accept(listener: socket.socket, clients: _Clients) -> bool:
    """True: a client came and is served."""
    try:
        connection, _ = listener.accept()
    except TimeoutError:
        return False
    clients.start(connection)
    return True


class _Clients:
    """The threads that serve clients, and the first failure of one of them."""

    def __init__(self, take: Take) -> None:
        self.room = threading.Semaphore(MOST_CLIENTS)
        self._take = take
        self._failure: BaseException | None = None
        self._threads: list[threading.Thread] = []

    def start(self, connection: socket.socket) -> None:
        """Serve a client. Takes over the connection, and gives back the room that it took."""
        connection.setblocking(True)
        thread = threading.Thread(target=self._run, args=(connection,), name="client", daemon=True)
        self._threads = [*filter(threading.Thread.is_alive, self._threads), thread]
        thread.start()

    def wait(self) -> None:
        """After the stop: let clients hand over what was read of them, a little while."""
        deadline_s = time.monotonic() + _FINISH_S
        for thread in self._threads:
            thread.join(max(0.0, deadline_s - time.monotonic()))

    def check(self) -> None:
        """Raise what a client's thread met, if it was not the client's own end."""
        if self._failure is not None:
            raise self._failure

    def _run(self, connection: socket.socket) -> None:
        try:
            with connection, suppress(ConnectionError):  # the client is gone; its whole lines are kept
                self._take(connection.fileno())
        except BaseException as error:
            self._failure = error
        finally:
            self.room.release()


@contextmanager
def _listening(path: Path, mode: int) -> Iterator[socket.socket]:
    _remove_left_behind(path)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        try:
            listener.bind(os.fspath(path))
            path.chmod(mode)  # before any program can connect, which needs `listen`
        except OSError as error:
            raise SourceWrong("socket_not_made", path=path, why=why(error), uid=os.getuid()) from error
        listener.listen()
        listener.settimeout(_LOOK_S)
        number = path.stat().st_ino
        try:
            yield listener
        finally:
            with suppress(OSError):
                if path.stat().st_ino == number:  # not one that another process put in its place
                    path.unlink()
    finally:
        listener.close()


def _remove_left_behind(path: Path) -> None:
    """Remove a socket that no process listens on. Raises SourceWrong for anything else of that name."""
    try:
        mode = path.lstat().st_mode
    except OSError:
        return
    if not stat.S_ISSOCK(mode):
        raise SourceWrong("not_a_socket", path=path)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(os.fspath(path))
        except ConnectionRefusedError:
            path.unlink()
            return
        except OSError as error:
            raise SourceWrong("socket_unreadable", path=path, why=why(error)) from error
    raise SourceWrong("socket_in_use", path=path)
