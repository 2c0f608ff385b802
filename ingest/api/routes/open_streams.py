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

    def __init__(self) -> None:
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

    @contextmanager
    def one(self) -> Iterator[OpenStream]:
        """A stream, counted as long as it is open."""
        stream = OpenStream()
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
