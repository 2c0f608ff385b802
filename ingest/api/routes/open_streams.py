"""
Streams that stay open: counted, and ended when the server stops.

A stopping server waits for answers that are under way; one that never ends would hold it up. `end` is called
before it waits.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager, suppress


class OpenStream:
    """One stream, from the side of what writes into it."""

    def __init__(self, who: int) -> None:
        """who : number of the key or person that looks on."""
        self.who = who
        self._ended = asyncio.Event()

    def end(self) -> None:
        """Let it go."""
        self._ended.set()

    async def ended_within(self, seconds: float) -> bool:
        """Wait; True as soon as the server stops."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._ended.wait(), seconds)
        return self._ended.is_set()


class OpenStreams:
    """Those of one process. Used from its event loop alone."""

    def __init__(self) -> None:
        self._open: set[OpenStream] = set()
        self._is_ending = False

    def are_full(self, most: int) -> bool:
        """True where no further one is taken."""
        return len(self._open) >= most

    def of(self, who: int) -> int:
        """How many one key or person has open."""
        return sum(stream.who == who for stream in self._open)

    @contextmanager
    def one(self, who: int) -> Iterator[OpenStream]:
        """A stream, counted as long as it is open. who : number of the key or person that looks on."""
        stream = OpenStream(who)
        self._open.add(stream)
        if self._is_ending:
            stream.end()
        try:
            yield stream
        finally:
            self._open.discard(stream)

    def end(self) -> None:
        """End all of them, and each that begins from now on."""
        self._is_ending = True
        for stream in self._open:
            stream.end()
