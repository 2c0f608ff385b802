"""
The way back to a program that writes lines and wants to know what became of each.

Promises: an answer never holds up a reading: it is queued, and a thread of its own writes it. A program that
reads none of its answers gets no more once `MOST_BYTES` wait for it; its lines are taken all the same.
Leaves to others: what is answered (`gateway.sources.ndjson`).
"""

from __future__ import annotations

import os
import select
import socket
import stat
import threading
from collections import deque
from contextlib import suppress
from types import TracebackType
from typing import Final, Self

MOST_BYTES: Final = 2**20  # some 25,000 answers; chosen: more than any program sends before it reads
_LOOK_S: Final = 0.25  # how soon an end is noticed


class Answers:
    """Answers to one program, written in the order in which they are put."""

    def __init__(self, descriptor: int) -> None:
        """descriptor : where they go; it stays the caller's, who closes it after the end of the block."""
        self._descriptor = descriptor
        self._is_socket = stat.S_ISSOCK(os.fstat(descriptor).st_mode)
        self._changed = threading.Condition()
        self._queue: deque[bytes] = deque()
        self._bytes = 0
        self._owed = 0
        self._is_closed = False
        self._is_broken = False
        self._thread = threading.Thread(target=self._run, name="answers", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._changed:
            self._is_closed = True
            self._changed.notify_all()
        self._thread.join()

    def owe(self, count: int) -> None:
        """Expect so many further answers."""
        with self._changed:
            self._owed += count

    def put(self, *answers: bytes) -> None:
        """Queue answers that were owed. Safe from any thread; never blocks."""
        with self._changed:
            self._owed -= len(answers)
            if not self._is_broken:
                self._queue.extend(answers)
                self._bytes += sum(map(len, answers))
                self._is_broken = self._bytes > MOST_BYTES
            self._changed.notify_all()

    def wait(self, stop: threading.Event) -> None:
        """Wait until every answer that is owed was put and written, or cannot be, or `stop` is set."""
        with self._changed:
            while (self._owed or self._queue) and not self._is_broken and not stop.is_set():
                self._changed.wait(_LOOK_S)

    def _run(self) -> None:
        while (part := self._next()) is not None:
            if not self._write(part):
                return

    def _next(self) -> bytes | None:
        """What is to be written now; it stays in the queue until it is. None: all is done."""
        with self._changed:
            while not self._queue and not self._is_closed:
                self._changed.wait()
            return b"".join(self._queue) if self._queue else None

    def _write(self, part: bytes) -> bool:
        """False: the program is gone, or does not read while its block ends."""
        left = part
        while left:
            try:
                if select.select([], [self._descriptor], [], _LOOK_S)[1]:
                    left = left[self._send(left) :]
                    continue
            except (OSError, ValueError):  # it is gone, and will not hear
                self._break()
                return False
            if self._is_closed or self._is_broken:
                return False
        with self._changed:
            done = len(part)
            while done:
                done -= len(self._queue.popleft())
            self._bytes = sum(map(len, self._queue))
            self._changed.notify_all()
        return True

    def _send(self, left: bytes) -> int:
        """
        How many bytes were sent without blocking: a socket reports it, a pipe has room for PIPE_BUF
        (pipe(7)).
        """
        if not self._is_socket:
            return os.write(self._descriptor, left[: select.PIPE_BUF])
        with suppress(BlockingIOError):
            way = socket.socket(fileno=os.dup(self._descriptor))
            with way:
                return way.send(left, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
        return 0

    def _break(self) -> None:
        with self._changed:
            self._is_broken = True
            self._changed.notify_all()
