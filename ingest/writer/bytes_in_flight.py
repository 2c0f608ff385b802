"""
How many bytes of request bodies the server has in memory at once, before the writer gets them.

Promises: bytes are counted as they arrive and as they decompress, whatever a header states. Beyond the bound
a request gets 503 with Retry-After, and its bytes are free again. A slow sender counts with the bytes that it
sent, not with those that it declared.
Leaves to others: the size of one body (`ingest.api.edge`, `ingest.intake.bodies`), the queues for the disk
(`ingest.writer.lanes`).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from cleanside.ingest.errors import TryAgain

MAX_HELD_BYTES = 64 * 2**20  # parsed as JSON they take some eight times that for a moment; chosen
RETRY_AFTER_S = 2


class BytesInFlight:
    """Bytes in memory, all requests together. Used from the event loop alone, hence no lock."""

    def __init__(self, most_bytes: int = MAX_HELD_BYTES) -> None:
        self._most_bytes = most_bytes
        self.held_bytes = 0

    @contextmanager
    def share(self) -> Iterator[Share]:
        """The bytes of one request; free again at the end."""
        share = Share(self)
        try:
            yield share
        finally:
            self.held_bytes -= share.held_bytes

    def require(self, further_bytes: int) -> None:
        """Raise TryAgain where that many more bytes would be over the bound."""
        if self.held_bytes + further_bytes > self._most_bytes:
            raise TryAgain(
                "bytes_in_flight",
                held_bytes=self.held_bytes,
                most_bytes=self._most_bytes,
                retry_after_s=RETRY_AFTER_S,
            )


class Share:
    """The bytes of one request."""

    def __init__(self, room: BytesInFlight) -> None:
        self._room = room
        self.held_bytes = 0

    def take(self, further_bytes: int) -> None:
        """Count so many more. Raises TryAgain where that is over the bound."""
        self._room.require(further_bytes)
        self._room.held_bytes += further_bytes
        self.held_bytes += further_bytes
