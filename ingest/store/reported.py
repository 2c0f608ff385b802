"""
What gateways report of the streams they hold, beside the batches: how far they appended, and how far this
server acknowledged as they know it.

Promises: a report is written only where it says more than is known, so that asking costs no commit. A mark
above the one held means that a restore lost what lies between: it is kept, so that the account says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.ingest.store import dialect, fleet
from cleanside.ingest.store import streams as stream_store
from cleanside.ingest.store.models import lost_marks, streams
from cleanside.ingest.store.streams import Stream


@dataclass(frozen=True, slots=True)
class ReportedCounts:
    """What a gateway says of one stream."""

    stream: str
    acknowledged_through: int
    appended_through: int


def found(connection: sa.Connection, owner_id: int, device: str, names: Sequence[str]) -> dict[str, Stream]:
    """Those of these streams that there are and that are of this device, by name. Locks nothing."""
    rows = connection.execute(stream_store.of_names(owner_id, names))
    return {row.stream: Stream(*row) for row in rows if row.device == device}


def lost_marks_of(connection: sa.Connection, stream_ids: Sequence[int]) -> dict[int, int]:
    """Stream id -> the mark that its gateway says it was answered, where that is above ours."""
    query = sa.select(lost_marks).where(lost_marks.c.stream_id.in_(stream_ids))
    return {row.stream_id: row.acknowledged_through for row in connection.execute(query)}


def says_more(report: ReportedCounts, stream: Stream | None, lost_mark: int | None) -> bool:
    """True if a report is to be written down. Pure."""
    if stream is None:
        return report.acknowledged_through > 0  # a stream that this server once acknowledged, and has lost
    mark = report.acknowledged_through if report.acknowledged_through > stream.mark else None
    return report.appended_through > (stream.appended_through or 0) or mark != lost_mark


def keep(
    connection: sa.Connection, owner_id: int, device: str, reports: Sequence[ReportedCounts], now_us: int
) -> None:
    """Write reports down. Of a device that is not known, or a stream of another one, nothing is kept."""
    row = fleet.device(connection, owner_id, device)
    if row is None:
        return
    for report in sorted(reports, key=lambda entry: entry.stream):
        stream = stream_store.find(connection, owner_id, report.stream, lock=True)
        if stream is None:
            stream = stream_store.create(connection, owner_id, row.id, report.stream, now_us)
        if stream.device == device:
            _keep(connection, stream, report)


def _keep(connection: sa.Connection, stream: Stream, report: ReportedCounts) -> None:
    if report.appended_through > (stream.appended_through or 0):
        statement = sa.update(streams).where(streams.c.id == stream.id)
        connection.execute(statement.values(appended_through=report.appended_through))
    connection.execute(sa.delete(lost_marks).where(lost_marks.c.stream_id == stream.id))
    if report.acknowledged_through > stream.mark:
        values = {"stream_id": stream.id, "acknowledged_through": report.acknowledged_through}
        connection.execute(dialect.insert(connection, lost_marks).values(values))
