"""
The next batch of a stream, with what was given up in it and what explains it.

Promises: the same tables give the same batch; what is behind the mark of the stream row that is given, and
only that; works on a connection that may only read. Leaves to others: which stream (`gateway.spool`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import apsw

from gateway.payload import UnitSet
from gateway.spool_batch import Row, columns_of, read_rows, sendable
from gateway.spool_shed import shed_within
from gateway.spool_state import StreamRow
from gateway.spool_time import Placements
from gateway.version import BUILT, VERSION
from gateway.wire import MAX_SHED_RANGES, Batch, GatewayReport, ShedRange


@dataclass(frozen=True, slots=True)
class Known:
    """What a batch needs beside its rows."""

    device: str
    installation: str
    placements: Placements
    unit_sets: Mapping[int, UnitSet]


def next_batch(
    connection: apsw.Connection,
    stream: StreamRow,
    known: Known,
    *,
    max_readings: int,
    max_bytes: int,
    report: bool,
) -> Batch | None:
    """The readings behind the mark of `stream`, as many as fit one batch; None: nothing to send now."""
    first_seq = stream.acknowledged_through + 1
    if first_seq > stream.appended_through:
        return None
    held = read_rows(connection, stream.position(first_seq), stream.last_position, limit=max_readings)
    rows = sendable(held, known.placements, known.unit_sets, max_bytes=max_bytes)
    if rows:
        last_seq = stream.seq(rows[-1][0])
    else:  # what was given up before the first that has to wait, or all of the rest
        last_seq = stream.seq(held[0][0]) - 1 if held else stream.appended_through
    shed = shed_within(connection, stream.number, first_seq, last_seq, limit=MAX_SHED_RANGES)
    if len(shed) == MAX_SHED_RANGES:
        last_seq = shed[-1].last
        rows = [row for row in rows if stream.seq(row[0]) <= last_seq]
    if not rows and not shed:
        return None
    # A stream that was forked is told apart by its report; without one the server compares contents only.
    said = (
        _report(connection, stream, known, first_seq, last_seq)
        if report and stream.state != "forked"
        else None
    )
    return _batch(stream, known, rows, shed, said)


def span(batch: Batch) -> tuple[int, int]:
    """Lowest and highest number that a batch speaks of."""
    numbers = [n for entry in batch.shed for n in (entry.first, entry.last)]
    if batch.seq:
        numbers += [batch.seq[0], batch.seq[-1]]
    if batch.opaque is not None:
        numbers.append(batch.opaque.seq)
    return min(numbers), max(numbers)


def _batch(
    stream: StreamRow,
    known: Known,
    rows: Sequence[Row],
    shed: Sequence[ShedRange],
    report: GatewayReport | None,
) -> Batch:
    if not rows:
        return Batch(device=known.device, stream=stream.stream, shed=tuple(shed), gateway=report)
    columns = columns_of(rows, known.placements, known.unit_sets)
    first, last = stream.seq(rows[0][0]), stream.seq(rows[-1][0])
    consecutive = last - first + 1 == len(rows)
    return Batch(
        device=known.device,
        stream=stream.stream,
        seq=range(first, last + 1) if consecutive else [stream.seq(row[0]) for row in rows],
        at_us=columns.at_us,
        at_uncertainty_s=columns.at_uncertainty_s,
        units=columns.units,
        columns=columns.columns,
        shed=tuple(shed),
        gateway=report,
    )


def _report(
    connection: apsw.Connection, stream: StreamRow, known: Known, first_seq: int, last_seq: int
) -> GatewayReport:
    placements = connection.execute(
        "SELECT b.boot, p.first_position, p.kind, p.uncertainty_us FROM placements p "
        "JOIN boots b ON b.number = p.boot WHERE p.first_position BETWEEN ? AND ? ORDER BY 2",
        (stream.position(first_seq), stream.position(last_seq)),
    )
    events = connection.execute(
        "SELECT at_seq, event, detail FROM events "
        "WHERE stream = ? AND at_seq BETWEEN ? AND ? ORDER BY number",
        (stream.number, first_seq, last_seq),
    )
    return GatewayReport(
        version=VERSION,
        built=BUILT,
        installation=known.installation,
        appended_through=stream.appended_through,
        boots=tuple(
            {
                "boot": boot,
                "first_seq": stream.seq(max(position, stream.first_position)),
                "anchor": kind,
                "uncertainty_s": uncertainty_us / 1e6,
            }
            for boot, position, kind, uncertainty_us in placements
        ),
        events=tuple(
            {"at_seq": at_seq, "event": event} | json.loads(detail) for at_seq, event, detail in events
        ),
    )
