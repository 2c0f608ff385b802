"""Boot corrections: stored once as the gateway reported them, and the times of readings before and after."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import BOOT_CORRECTED, boot_correction
from cleanside.ingest.store import audit, dialect, stored
from cleanside.ingest.store import hours as hour_store
from cleanside.ingest.store.at_rest import StoredTime
from cleanside.ingest.store.marks import Range, Ranges
from cleanside.ingest.store.models import (
    boot_corrections,
    devices,
    hours,
    original_times,
    reports,
    streams,
)

MICRO = 1_000_000


class CorrectionRow(NamedTuple):
    """A row of `boot_corrections` with the names of its device and stream."""

    id: int
    owner_id: int
    device: str
    stream_id: int
    stream: str
    boot: str
    first: int
    last: int
    shift_s: float
    uncertainty_s: float | None
    anchor: str | None
    received_us: int
    undone_us: int | None


_OF_STREAM = {"owner_id": streams.c.owner_id, "stream": streams.c.stream, "device": devices.c.name}
_CORRECTION = sa.select(
    *(_OF_STREAM[f].label(f) if f in _OF_STREAM else boot_corrections.c[f] for f in CorrectionRow._fields)
).select_from(boot_corrections.join(streams).join(devices))


def take_up(connection: sa.Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Store the corrections among new reports; their hours are due for analysis."""
    for row in rows:
        if row["kind"] == "event" and row["name"] == BOOT_CORRECTED:
            _take_up(connection, row)


def _take_up(connection: sa.Connection, row: dict[str, Any]) -> None:
    said = boot_correction(json.loads(row["content"]))
    if said is None:
        return
    first = _begin(connection, row["stream_id"], said.boot, said.at_seq)
    if first is None or said.at_seq <= (first := max(first, said.first_seq)):
        return  # readings of that boot are in another stream, or there are none
    values = {"stream_id": row["stream_id"], "boot": said.boot, "first": first, "last": said.at_seq - 1}
    values |= {"shift_s": said.shift_s, "uncertainty_s": said.uncertainty_s, "anchor": said.anchor}
    values |= {"digest": row["digest"], "received_us": row["received_us"]}
    statement = dialect.insert(connection, boot_corrections).values(values).on_conflict_do_nothing()
    if connection.scalar(statement.returning(boot_corrections.c.id)) is not None:
        _touch(connection, row["stream_id"], (first, said.at_seq - 1))
        owner = sa.select(streams.c.owner_id).where(streams.c.id == row["stream_id"]).scalar_subquery()
        event = json.loads(row["content"])
        audit.note(connection, owner, row["received_us"], "gateway", BOOT_CORRECTED, event=event)


def _begin(connection: sa.Connection, stream_id: int, boot: str, at_seq: int) -> int | None:
    """The first number of a boot's placement that was in force before `at_seq`; None: it is not known."""
    conditions = reports.c.stream_id == stream_id, reports.c.kind == "boot", reports.c.at_seq < at_seq
    query = (
        sa.select(reports.c.at_seq, reports.c.content).where(*conditions).order_by(reports.c.at_seq.desc())
    )
    for first, content in connection.execute(query):
        if json.loads(content).get("boot") == boot:
            return int(first)
    return None


def _touch(connection: sa.Connection, stream_id: int, numbers: Range) -> None:
    """Make the hours that may have these numbers due for analysis."""
    conditions = (
        hours.c.stream_id == stream_id,
        hours.c.first_seq <= numbers[1],
        hours.c.last_seq >= numbers[0],
    )
    connection.execute(sa.update(hours).where(*conditions).values(revision=hours.c.revision + 1))


# ---------------------------------------------------------------- what waits


_DUE = """
SELECT b.id, b.first, b.last, hours.first_seq, hours.last_seq
FROM boot_corrections b JOIN hours ON hours.stream_id = b.stream_id
WHERE b.undone_us IS NULL AND hours.revision > hours.analysed_revision
    AND hours.first_seq <= b.last AND hours.last_seq >= b.first AND hours.stream_id IN ({})
"""


def due(connection: sa.Connection, stream_ids: Sequence[int]) -> list[tuple[int, Range]]:
    """(correction, numbers) in hours of these streams that wait for analysis."""
    waiting: list[tuple[int, Range]] = []
    for piece in dialect.in_lists(sorted(set(stream_ids))):
        sql = _DUE.format(dialect.marks(piece))
        for number, first, last, low, top in dialect.run(connection, sql, tuple(piece)):
            waiting.append((number, (max(first, low), min(last, top))))
    return sorted(waiting)


def originals(connection: sa.Connection, stream_id: int, numbers: Range, *, limit: int) -> list[StoredTime]:
    """Times as sent of the corrected readings among these numbers."""
    conditions = original_times.c.stream_id == stream_id, original_times.c.seq.between(*numbers)
    query = sa.select(*(original_times.c[f] for f in StoredTime._fields)).where(*conditions)
    return [StoredTime(*row) for row in connection.execute(query.order_by(original_times.c.seq).limit(limit))]


# ---------------------------------------------------------------- times move


def keep_originals(connection: sa.Connection, stream_id: int, rows: Sequence[StoredTime]) -> None:
    """Store the times of readings as sent."""
    connection.execute(sa.insert(original_times), [row._asdict() | {"stream_id": stream_id} for row in rows])


def forget_originals(connection: sa.Connection, stream_id: int, numbers: Ranges) -> None:
    """Note that the readings have their times as sent again."""
    for first, last in numbers:
        conditions = original_times.c.stream_id == stream_id, original_times.c.seq.between(first, last)
        connection.execute(sa.delete(original_times).where(*conditions))


def move(
    connection: sa.Connection, stream_id: int, before: Sequence[StoredTime], after: Sequence[StoredTime]
) -> None:
    """Change the times of readings; both their hours are due for analysis. Nothing else of them changes."""
    stored.replace_times(connection, stream_id, after)
    hour_store.count_down(connection, stream_id, [row.at_us for row in before])
    seq = np.array([row.seq for row in after], dtype=np.int64)
    at_us = np.array([row.at_us for row in after], dtype=np.int64)
    hour_store.touch(connection, [(stream_id, span) for span in hour_store.hour_spans(seq, at_us)])


# ---------------------------------------------------------------- one and all


def find(connection: sa.Connection, owner_id: int | None, correction_id: int) -> CorrectionRow | None:
    """One correction of this owner; owner None: of any."""
    query = _CORRECTION.where(boot_corrections.c.id == correction_id)
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    row = connection.execute(query).first()
    return None if row is None else CorrectionRow(*row)


def list_of(
    connection: sa.Connection, owner_id: int, *, before_id: int | None, limit: int
) -> list[CorrectionRow]:
    """Corrections of this owner, newest first."""
    query = _CORRECTION.where(streams.c.owner_id == owner_id).order_by(boot_corrections.c.id.desc())
    if before_id is not None:
        query = query.where(boot_corrections.c.id < before_id)
    return [CorrectionRow(*row) for row in connection.execute(query.limit(limit))]


def count_corrected(connection: sa.Connection, found: CorrectionRow) -> int:
    """How many readings have the corrected time now."""
    conditions = (
        original_times.c.stream_id == found.stream_id,
        original_times.c.seq.between(found.first, found.last),
    )
    return connection.scalar(sa.select(sa.func.count()).select_from(original_times).where(*conditions)) or 0


def set_undone(connection: sa.Connection, correction_id: int, now_us: int) -> None:
    """Note that a correction is undone."""
    statement = sa.update(boot_corrections).where(boot_corrections.c.id == correction_id)
    connection.execute(statement.values(undone_us=now_us))
