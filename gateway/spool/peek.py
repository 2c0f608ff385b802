"""
The next batch of a stream, with its shed ranges and the report that explains it.

Promises: the same tables give the same batch, which has only readings behind the mark of the given stream
row. It works on a read-only connection. Leaves to others: which stream (`gateway.spool.queue`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import apsw

from cleanside.gateway.errors import SpoolDamaged
from cleanside.gateway.spool.boots import Placements
from cleanside.gateway.spool.carry_back import as_far_as_carried
from cleanside.gateway.spool.payload import NotAsWritten, UnitSet, whole
from cleanside.gateway.spool.rows import (
    NONE_UNPROTECTED,
    Row,
    check_rows,
    columns_of,
    is_sound,
    read_rows,
    sendable,
)
from cleanside.gateway.spool.shed import shed_within
from cleanside.gateway.spool.state import StreamRow
from cleanside.gateway.spool.unconfirmed import content_of
from cleanside.gateway.units import counted
from cleanside.gateway.version import BUILT, VERSION
from cleanside.gateway.wire import MAX_SHED_RANGES, Batch, GatewayReport, ShedRange

# Nearly always none of the three is there: one query finds out, and they are read only where they are.
_BESIDE = """
SELECT coalesce((SELECT last FROM shed WHERE stream = ?1 AND first <= ?3
                 ORDER BY first DESC LIMIT 1), 0) >= ?2,
       EXISTS (SELECT 1 FROM placements WHERE first_position BETWEEN ?4 AND ?5),
       EXISTS (SELECT 1 FROM events WHERE stream = ?1 AND at_seq BETWEEN ?2 AND ?3)"""
_PLACEMENTS = """
SELECT b.boot, p.first_position, p.kind, p.uncertainty_us, p.is_whole AND b.is_whole FROM placements p
JOIN boots b ON b.number = p.boot WHERE p.first_position BETWEEN ? AND ? ORDER BY 2"""
_EVENTS = (
    "SELECT at_seq, event, detail, is_whole FROM events "
    "WHERE stream = ? AND at_seq BETWEEN ? AND ? ORDER BY number"
)


@dataclass(frozen=True, slots=True)
class BatchContext:
    """The facts that a batch needs beside its rows."""

    device: str
    installation: str
    placements: Placements
    unit_sets: Mapping[int, UnitSet]
    #: up to this position rows have no sum: an earlier version wrote them
    unprotected_through: int = NONE_UNPROTECTED


def next_batch(
    connection: apsw.Connection,
    stream: StreamRow,
    known: BatchContext,
    *,
    max_readings: int,
    max_bytes: int,
    report: bool,
) -> Batch | None:
    """
    The readings behind the mark of `stream` that fit one batch; None: nothing to send now.

    Raises SpoolDamaged where a number is missing; KeyError, TypeError, ValueError where a row is not as it
    was written (`gateway.spool.rows.is_sound`).
    """
    stream = as_far_as_carried(connection, stream)
    first_seq = stream.acknowledged_through + 1
    if first_seq > stream.appended_through:
        return None
    held = read_rows(connection, stream.position(first_seq), stream.last_position, limit=max_readings)
    rows = sendable(held, known.placements, known.unit_sets, max_bytes=max_bytes)
    if rows:
        _check_rows(rows, stream, known)
        last_seq = stream.seq(rows[-1][0])
    else:  # ranges before the first reading that has to wait, or all others
        _check_waits(connection, held[:1], stream, known)
        last_seq = stream.seq(held[0][0]) - 1 if held else stream.appended_through
    is_shed, is_placed, is_event = _beside(connection, stream, first_seq, last_seq)
    shed = (
        shed_within(connection, stream.number, first_seq, last_seq, limit=MAX_SHED_RANGES) if is_shed else []
    )
    if len(shed) == MAX_SHED_RANGES:
        last_seq = shed[-1].last
        rows = [row for row in rows if stream.seq(row[0]) <= last_seq]
    _check_whole(stream, first_seq, last_seq, rows, shed)
    if not rows and not shed:
        return None
    # The report shows that a stream was forked; without one the server compares contents only.
    if not report or stream.state == "forked":
        return _batch(stream, known, rows, shed, None)
    boots = _boots(connection, stream, first_seq, last_seq) if is_placed else ()
    events = _events(connection, stream, first_seq, last_seq) if is_event else ()
    said = GatewayReport(
        version=VERSION,
        built=BUILT if is_placed else None,  # times that a source brings were shown by no clock of ours
        installation=known.installation,
        appended_through=stream.appended_through,
        boots=boots,
        events=events,
    )
    return _batch(stream, known, rows, shed, said)


def _check_rows(rows: Sequence[Row], stream: StreamRow, known: BatchContext) -> None:
    check_rows(
        rows,
        known.unit_sets,
        stream=stream.stream,
        first_position=stream.first_position,
        unprotected_through=known.unprotected_through,
    )


def is_sound_in(row: Row, stream: StreamRow, known: BatchContext) -> bool:
    """True if a row of `stream` is as it was written."""
    return is_sound(
        row,
        known.unit_sets,
        stream=stream.stream,
        seq=stream.seq(row[0]),
        unprotected_through=known.unprotected_through,
    )


def _check_waits(
    connection: apsw.Connection, rows: Sequence[Row], stream: StreamRow, known: BatchContext
) -> None:
    """Check that readings that wait for their boot are sound, and the boot is there. Raises NotAsWritten."""
    for row in rows:
        boots = connection.execute("SELECT count(*) FROM boots WHERE number = ?", (row[1],)).get
        if not boots or not is_sound_in(row, stream, known):
            raise NotAsWritten(f"the reading at position {row[0]} would wait for ever: {row[1:]}")


def _check_whole(
    stream: StreamRow, first_seq: int, last_seq: int, rows: Sequence[Row], shed: Sequence[ShedRange]
) -> None:
    """Raise for a number that is neither stored nor declared: the tree of the file has a fault."""
    accounted = len(rows) + sum(entry.last - entry.first + 1 for entry in shed)
    if accounted < last_seq - first_seq + 1:
        missing = counted(last_seq - first_seq + 1 - accounted, "number")
        raise SpoolDamaged(
            "numbers_missing", stream=stream.stream, missing=missing, first_seq=first_seq, last_seq=last_seq
        )


def _beside(
    connection: apsw.Connection, stream: StreamRow, first_seq: int, last_seq: int
) -> tuple[bool, bool, bool]:
    """Whether there are shed ranges, placements, events at first_seq..last_seq."""
    span = (stream.number, first_seq, last_seq, stream.position(first_seq), stream.position(last_seq))
    is_shed, is_placed, is_event = connection.execute(_BESIDE, span).fetchall()[0]
    return bool(is_shed), bool(is_placed), bool(is_event)


def span(batch: Batch) -> tuple[int, int]:
    """Lowest and highest number of a batch."""
    numbers = [n for entry in batch.shed for n in (entry.first, entry.last)]
    if batch.seq:
        numbers += [batch.seq[0], batch.seq[-1]]
    if batch.opaque is not None:
        numbers.append(batch.opaque.seq)
    return min(numbers), max(numbers)


def _batch(
    stream: StreamRow,
    known: BatchContext,
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


def _boots(
    connection: apsw.Connection, stream: StreamRow, first_seq: int, last_seq: int
) -> tuple[Mapping[str, Any], ...]:
    rows = connection.execute(_PLACEMENTS, (stream.position(first_seq), stream.position(last_seq)))
    return tuple(
        {
            "boot": boot,
            "first_seq": stream.seq(max(position, stream.first_position)),
            "anchor": kind,
            "uncertainty_s": uncertainty_us / 1e6,
        }
        for boot, position, kind, uncertainty_us in whole("placements", rows)
    )


def _events(
    connection: apsw.Connection, stream: StreamRow, first_seq: int, last_seq: int
) -> tuple[Mapping[str, Any], ...]:
    rows = connection.execute(_EVENTS, (stream.number, first_seq, last_seq))
    return tuple(
        content_of(at_seq, event, json.loads(detail)) for at_seq, event, detail in whole("events", rows)
    )
