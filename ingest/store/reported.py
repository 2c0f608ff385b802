"""
What gateways report of the streams they hold, beside the batches: how far they appended, and how far this
server acknowledged as they know it.

Promises: a report is written only where it says more than is known, so that asking costs no commit. A mark
above the one held means that a restore lost what lies between: it is kept, so that the account says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

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


class StreamsHeld(NamedTuple):
    """What a gateway says of the streams that it holds."""

    owner_id: int
    device: str
    #: by stream
    reports: Mapping[str, ReportedCounts]


#: those of the streams of a gateway that there are and that are of its device, by name
KnownStreams = dict[str, Stream]


def found(connection: sa.Connection, held: Sequence[StreamsHeld]) -> list[KnownStreams]:
    """The known streams of several gateways: a query for each owner. Locks nothing."""
    names: dict[int, set[str]] = {}
    for one in held:
        names.setdefault(one.owner_id, set()).update(one.reports)
    by_name = {
        (owner_id, row.stream): Stream(*row)
        for owner_id, of_owner in names.items()
        for piece in dialect.in_lists(sorted(of_owner))
        for row in connection.execute(stream_store.of_names(owner_id, piece))
    }
    every = [[by_name.get((one.owner_id, name)) for name in one.reports] for one in held]
    return [
        {stream.stream: stream for stream in streams if stream is not None and stream.device == one.device}
        for one, streams in zip(held, every, strict=True)
    ]


def lost_marks_of(connection: sa.Connection, stream_ids: Sequence[int]) -> dict[int, int]:
    """Stream id -> the mark that its gateway says it was answered, where that is above ours."""
    query = sa.select(lost_marks).where(lost_marks.c.stream_id.in_(stream_ids))
    return {row.stream_id: row.acknowledged_through for row in connection.execute(query)}


def says_more_of(
    held: StreamsHeld, known: KnownStreams, lost_marks: Mapping[int, int]
) -> list[ReportedCounts]:
    """The reports of a gateway that are to be written down. lost_marks : `lost_marks_of`. Pure."""
    return [
        report
        for report in held.reports.values()
        if says_more(
            report,
            stream := known.get(report.stream),
            None if stream is None else lost_marks.get(stream.id),
        )
    ]


def says_more(report: ReportedCounts, stream: Stream | None, lost_mark: int | None) -> bool:
    """True if a report is to be written down. Pure."""
    if stream is None:
        return report.acknowledged_through > 0  # a stream that this server once acknowledged, and has lost
    mark = report.acknowledged_through if report.acknowledged_through > stream.mark else None
    return report.appended_through > (stream.appended_through or 0) or mark != lost_mark


def keep(
    connection: sa.Connection, held: StreamsHeld, reports: Sequence[ReportedCounts], now_us: int
) -> None:
    """Write reports down. Of a device that is not known, or a stream of another one, nothing is kept."""
    owner_id, device = held.owner_id, held.device
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
