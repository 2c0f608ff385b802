"""How fast a backlog comes: from when two readings of a stream were received, which costs two look-ups."""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.store.models import readings
from cleanside.ingest.store.streams import Stream

BACK = 1_000  # numbers between the two; chosen: a batch or two
#: a stream whose newest number came longer ago than that is not draining [us]; chosen
STILL_US = 120_000_000


def readings_per_s(connection: sa.Connection, stream: Stream, now_us: int) -> float | None:
    """Readings that come in a second now; None: none come, or it cannot be told."""
    pair = (stream.highest, max(1, stream.highest - BACK))
    query = sa.select(readings.c.seq, readings.c.received_us)
    query = query.where(readings.c.stream_id == stream.id, readings.c.seq.in_(pair))
    came = {row.seq: row.received_us for row in connection.execute(query)}
    newest, before = (came.get(seq) for seq in pair)
    if newest is None or before is None or now_us - newest > STILL_US or newest <= before:
        return None
    return float((pair[0] - pair[1]) / ((newest - before) / 1e6))
