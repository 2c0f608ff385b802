"""
What arrives changes the verdict on its neighbours, in both directions.

Promises: a stored reading that is out of line now goes into quarantine. A quarantined one whose reasons no
longer hold is judged again.
Leaves to others: which readings those are (`ingest.checking.neighbours`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.checking.neighbours import Lines
from cleanside.ingest.checking.plausible_time import outlier_doubt
from cleanside.ingest.quarantine import replay
from cleanside.ingest.quarantine.withdrawing import withdraw
from cleanside.ingest.store import quarantine
from cleanside.ingest.store.streams import Stream


def revise(connection: sa.Connection, stream: Stream, lines: Lines, now_us: int) -> None:
    """Quarantine or judge again the neighbours that `lines` names."""
    if lines.withdrawn:
        reasons = {seq: outlier_doubt(placed.at_us) for seq, placed in lines.withdrawn.items()}
        withdraw(connection, stream, reasons, now_us)
    if lines.again:
        replay.reconsider(connection, quarantine.by_ids(connection, stream.owner_id, lines.again), now_us)
