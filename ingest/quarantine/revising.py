"""
New readings change the verdict on their neighbours, in both directions.

Promises: a stored reading that is out of line now goes into quarantine. A quarantined one whose reasons no
longer hold is judged again.
Leaves to others: which readings these are (`ingest.checking.neighbours`).
"""

from __future__ import annotations

from itertools import groupby

import sqlalchemy as sa

from cleanside.ingest.checking.neighbours import Neighbours
from cleanside.ingest.quarantine import replay
from cleanside.ingest.quarantine.withdrawing import withdraw
from cleanside.ingest.store import quarantine
from cleanside.ingest.store.streams import Stream


def revise(connection: sa.Connection, stream: Stream, neighbours: Neighbours, now_us: int) -> None:
    """Quarantine the stored readings that `neighbours` names, and judge the quarantined ones again."""
    if neighbours.withdrawn:
        withdraw(connection, stream, neighbours.withdrawn, now_us)
    entries = quarantine.by_ids(connection, stream.owner_id, neighbours.again)
    # In order of number, because whether a clock runs on depends on the previous verdict.
    for _, alike in groupby(sorted(entries, key=lambda entry: entry.seq), key=replay.alike):
        replay.reconsider(connection, list(alike), now_us)
