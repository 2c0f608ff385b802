"""
The body of one request as it arrives: how large it may be, how much has arrived, what its key was charged.

Promises: a key is charged at most the limit of the address, and gets unread bytes back at the end.
A body that decompresses to much more than was sent is charged for that too.
Leaves to others: the charge (`ingest.owners.quotas`), the reading (`ingest.api.edge`).
"""

from __future__ import annotations

from collections.abc import Callable

#: decompressed bytes that count as one byte as sent: an ordinary batch compresses less than that, so it is
#: charged as sent, and the limits of both sizes have this ratio
DECODED_BYTES_A_BYTE = 8


class Arriving:
    """One body. The edge makes and ends it; the check of the key charges it."""

    __slots__ = (
        "_charge",
        "_give_back",
        "came_bytes",
        "cut_off",
        "declared_bytes",
        "is_answered",
        "is_whole",
        "limit_bytes",
    )

    def __init__(self, *, limit_bytes: int, declared_bytes: int | None) -> None:
        """declared_bytes : of the header; None: there is a body of a size that is not declared."""
        self.limit_bytes = limit_bytes
        self.declared_bytes = declared_bytes
        self.came_bytes = 0
        self.is_whole = False
        self.is_answered = False
        #: the client closed the connection before the whole body arrived, and before the answer
        self.cut_off = False
        self._charge: Callable[[int], None] | None = None
        self._give_back: Callable[[int], None] | None = None

    def came(self, body_bytes: int, *, more: bool) -> None:
        """Count a part that arrived."""
        self.came_bytes += body_bytes
        self.is_whole = not more

    def client_gone(self) -> None:
        """Note that the client is gone, or has its answer: the server reports both alike."""
        self.cut_off = self.cut_off or not (self.is_whole or self.is_answered)

    @property
    def is_too_large(self) -> bool:
        """True once it is over the limit, by its header or by the bytes that arrived."""
        declared = self.declared_bytes
        return self.came_bytes > self.limit_bytes or (declared is not None and declared > self.limit_bytes)

    @property
    def reserved_bytes(self) -> int:
        """Bytes that a key is charged before anything is read."""
        declared = self.declared_bytes
        return self.limit_bytes if declared is None else min(declared, self.limit_bytes)

    def was_charged(self, give_back: Callable[[int], None], charge: Callable[[int], None]) -> None:
        """
        Note that a key was charged `reserved_bytes`.

        give_back : takes the bytes that were not read. charge : takes bytes that are charged beside them.
        """
        self._give_back, self._charge = give_back, charge

    def decompressed(self, decoded_bytes: int) -> None:
        """Charge the key for a whole body that decompressed to so many bytes, where these are many more."""
        further = decoded_bytes // DECODED_BYTES_A_BYTE - self.came_bytes
        if self._charge is not None and further > 0:
            self._charge(further)

    def end(self) -> None:
        """End the request."""
        unread = self.reserved_bytes - self.came_bytes
        if self._give_back is not None and unread > 0:
            self._give_back(unread)


def declared_bytes(length: str | None, *, is_chunked: bool) -> int | None:
    """The size of a body by its headers; None: it has one of a size that is not declared."""
    if length is not None:
        return int(length) if length.isdecimal() else None
    return None if is_chunked else 0
