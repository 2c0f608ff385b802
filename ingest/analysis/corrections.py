"""
Boot corrections: a boot is placed better later, and the server corrects stored times without a resend.

Promises: times as sent are kept beside, identity stays as on receipt (a resend is a repeat), and the analysis
sees corrected times alone. A reading is corrected once, also one that arrives after the correction. A
correction into the future, or to before the device's own time, is not believed. Each can be undone.
Leaves to others: the gateway's report (`gateway.wire`), when this runs (`ingest.analysis.summarising`), who
may undo (`ingest.api.routes.corrections`).
"""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa

from cleanside.ingest.checking.doubts import service_of
from cleanside.ingest.checking.plausible_time import EARLIEST_US, FUTURE_TOLERANCE_US
from cleanside.ingest.store import archive, audit, corrections, fleet, handover, old_rows, readings, stored
from cleanside.ingest.store.at_rest import StoredTime
from cleanside.ingest.store.corrections import CorrectionRow
from cleanside.ingest.store.marks import Range, ranges_of

MICRO = 1_000_000  # arithmetic
READINGS_AT_ONCE = 20_000  # readings in one transaction: the one writer serves others in between; chosen


def apply_due(connection: sa.Connection, stream_ids: Sequence[int], now_us: int) -> int:
    """Correct readings of these streams in hours that wait for analysis, at most `READINGS_AT_ONCE`."""
    done = 0
    for number, numbers in corrections.due(connection, stream_ids):
        correction = corrections.find(connection, None, number)
        if correction is not None and done < READINGS_AT_ONCE:
            done += _apply(connection, correction, numbers, now_us, limit=READINGS_AT_ONCE - done)
    return done


def waits(connection: sa.Connection, stream_ids: Sequence[int]) -> bool:
    """True if `apply_due` would find anything."""
    for number, numbers in corrections.due(connection, stream_ids):
        correction = corrections.find(connection, None, number)
        if correction is None:
            continue
        if stored.uncorrected(connection, correction.stream_id, numbers, limit=1):
            return True
        if _archived(connection, correction.stream_id, numbers):
            return True
    return False


def _apply(
    connection: sa.Connection, found: CorrectionRow, numbers: Range, now_us: int, *, limit: int
) -> int:
    old_rows.lock(connection, [found.stream_id])  # so that none of them changes its form meanwhile
    now = corrections.find(connection, None, found.id)
    if now is None or now.undone_us is not None:
        return 0  # undone by another process while we waited for the lock, or by the hour before
    _bring_back(connection, found.stream_id, numbers)
    before = stored.uncorrected(connection, found.stream_id, numbers, limit=limit)
    if not before:
        return 0
    after = corrected(before, found)
    if (beyond := _beyond(connection, found, after, now_us)) is not None:
        corrections.set_undone(connection, found.id, now_us)
        about = {"correction": found.id, "device": found.device, "beyond": beyond}
        audit.note(connection, found.owner_id, now_us, "server", "boot_correction_refused", **about)
        while undo_some(connection, found):  # those of other hours may have been moved before
            pass
        return 0
    corrections.keep_originals(connection, found.stream_id, before)
    corrections.move(connection, found.stream_id, before, after)
    return len(after)


def _beyond(
    connection: sa.Connection, found: CorrectionRow, after: Sequence[StoredTime], now_us: int
) -> str | None:
    """The instant beyond the allowed range that a correction leads to; None: all times stay within it."""
    device = fleet.device(connection, found.owner_id, found.device)
    floor_us = None if device is None else service_of(device, None).floor_us
    if max(row.at_us for row in after) > now_us + FUTURE_TOLERANCE_US:
        return "after_now"
    if min(row.at_us for row in after) < max(EARLIEST_US, floor_us or EARLIEST_US):
        return "before_its_time"
    return None


def corrected(rows: Sequence[StoredTime], found: CorrectionRow) -> list[StoredTime]:
    """The readings with their corrected times. Pure."""
    shift_us = round(found.shift_s * MICRO)
    return [StoredTime(row.seq, row.at_us + shift_us, found.uncertainty_s) for row in rows]


def _archived(connection: sa.Connection, stream_id: int, numbers: Range) -> list[int]:
    """Archived numbers with their times as sent."""
    archived = archive.hashes(connection, stream_id, (numbers,))
    if not archived:
        return []
    corrected_before = {
        row.seq for row in corrections.originals(connection, stream_id, numbers, limit=len(archived) + 1)
    }
    return sorted(archived.keys() - corrected_before)


def _bring_back(connection: sa.Connection, stream_id: int, numbers: Range) -> None:
    """Move archived readings back into the tables, where their times can change."""
    if archived := _archived(connection, stream_id, numbers):
        handover.put_rows(
            connection, stream_id, readings.take_out(connection, stream_id, ranges_of(archived))
        )


# ---------------------------------------------------------------- undo


def begin_undo(connection: sa.Connection, found: CorrectionRow, who: str, now_us: int) -> None:
    """Mark a correction as undone; `undo_some` restores the times."""
    if found.undone_us is None:
        corrections.set_undone(connection, found.id, now_us)
    audit.note(connection, found.owner_id, now_us, who, "boot_correction_undone", correction=found.id)


def undo_some(connection: sa.Connection, found: CorrectionRow) -> int:
    """Restore the times of up to `READINGS_AT_ONCE` readings. Returns how many; 0: all are as sent."""
    old_rows.lock(connection, [found.stream_id])
    numbers = (found.first, found.last)
    sent = corrections.originals(connection, found.stream_id, numbers, limit=READINGS_AT_ONCE)
    if not sent:
        return 0
    seqs = ranges_of([row.seq for row in sent])
    archived = ranges_of(sorted(archive.hashes(connection, found.stream_id, seqs)))
    if archived:
        taken = readings.take_out(connection, found.stream_id, archived)
        handover.put_rows(connection, found.stream_id, taken)
    now = {row.seq: row for row in stored.times(connection, found.stream_id, seqs)}
    before = [now[row.seq] for row in sent if row.seq in now]  # a person set the others aside meanwhile
    after = [row for row in sent if row.seq in now]
    if after:
        corrections.move(connection, found.stream_id, before, after)
    corrections.forget_originals(connection, found.stream_id, seqs)
    return len(sent)
