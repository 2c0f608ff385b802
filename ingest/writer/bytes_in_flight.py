"""
How much of what clients send the server holds at once, before it is handed to the writer.

Promises: bytes are counted as they come and as they unfold, whatever a header says; beyond the bound a
request gets 503 with Retry-After, and what it held is free again. A slow sender holds what it sent, not what
it said.
Leaves to others: the size of one body (`ingest.api.edge`, `ingest.intake.bodies`), what waits for the disk
(`ingest.writer.lanes`).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from cleanside.ingest.errors import TryAgain

MAX_HELD_BYTES = 64 * 2**20  # read as JSON they take some eight times that for a moment; chosen
RETRY_AFTER_S = 2


class BytesInFlight:
    """Bytes held, all requests together. Used from the event loop alone, hence no lock."""

    def __init__(self, most_bytes: int = MAX_HELD_BYTES) -> None:
        self._most_bytes = most_bytes
        self.held_bytes = 0

    @contextmanager
    def share(self) -> Iterator[Share]:
        """What one request holds; free again at the end."""
        share = Share(self)
        try:
            yield share
        finally:
            self.held_bytes -= share.held_bytes

    def require(self, further_bytes: int) -> None:
        """Raise TryAgain where that many more would be too much."""
        if self.held_bytes + further_bytes > self._most_bytes:
            raise TryAgain(
                "bytes_in_flight",
                held_bytes=self.held_bytes,
                most_bytes=self._most_bytes,
                retry_after_s=RETRY_AFTER_S,
            )


class Share:
    """What one request holds of the room."""

    def __init__(self, room: BytesInFlight) -> None:
        self._room = room
        self.held_bytes = 0

    def take(self, further_bytes: int) -> None:
        """Hold so many more. Raises TryAgain where there is no room."""
        self._room.require(further_bytes)
        self._room.held_bytes += further_bytes
        self.held_bytes += further_bytes
