"""How fast a backlog comes: from when two readings of a stream were received, which costs two look-ups."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store import stored
from cleanside.ingest.store.streams import Stream

BACK = 1_000  # numbers between the two; chosen: a batch or two
#: a stream whose newest number came longer ago than that is not draining [us]; chosen
STILL_US = 120_000_000


def readings_per_s(connection: sa.Connection, stream: Stream, now_us: int) -> float | None:
    """Readings that come in a second now; None: none come, or it cannot be told."""
    pair = (stream.highest, max(1, stream.highest - BACK))
    came = stored.received(connection, stream.id, pair)
    newest, before = (came.get(seq) for seq in pair)
    if newest is None or before is None or now_us - newest > STILL_US or newest <= before:
        return None
    return float((pair[0] - pair[1]) / ((newest - before) / 1e6))
