"""
The answer to a batch: its mark, and its quarantined readings, grouped where neighbours share a reason.

Promises: pure. Leaves to others: how it is written (`gateway.wire`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

from cleanside.gateway.wire import Answer, Batch, QuarantineNote
from cleanside.ingest.checking.repeats import Verdict
from cleanside.ingest.errors import writable
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.store.quarantine import NewQuarantineRow
from cleanside.ingest.store.reasons import detail_of


def notes_of(
    batch: Batch,
    numbers: Sequence[int],
    entries: Mapping[int, NewQuarantineRow],
    verdict: Verdict,
    opaque: Sequence[NewQuarantineRow],
    replaced: Mapping[int, tuple[str, str]],
) -> list[QuarantineNote]:
    """
    The quarantined readings of this batch, grouped where neighbours share a reason.

    replaced : index -> code, detail of a reading that replaced one in quarantine and is not believed either.
    """
    reasons_found: dict[int, tuple[str, str, str | None]] = {
        index: (held.doubts[0].code, detail_of(held.doubts[0]), verdict.conflicts.get(index))
        for index, held in entries.items()
        if index not in verdict.replaces
    }
    reasons_found |= verdict.held_before | {index: (*reason, None) for index, reason in replaced.items()}
    flat = [
        (index if batch.seq is None else numbers[index], *reason) for index, reason in reasons_found.items()
    ]
    flat += [
        (held.seq, held.doubts[0].code, detail_of(held.doubts[0]), "stored" if held.beside else None)
        for held in opaque
    ]
    notes: list[QuarantineNote] = []
    for number, code, said, other in sorted(flat, key=lambda entry: entry[:3]):
        before = notes[-1] if notes else None
        if before and (before.code, before.other_is, before.last + 1) == (code, other, number):
            notes[-1] = dataclasses.replace(before, last=number)
        else:
            note = QuarantineNote(first=number, last=number, code=code, detail=writable(said), other_is=other)
            notes.append(note)
    return notes


def answer_of(
    batch: Batch, marks: Marks, stored: int, duplicates: int, notes: list[QuarantineNote], now_us: int
) -> Answer:
    """The answer to the sender; readings without numbers have no mark and no gaps."""
    numbered = batch.stream is not None
    return Answer(
        stream=batch.stream,
        acknowledged_through=marks.mark if numbered else None,
        stored=stored,
        duplicates=duplicates,
        gaps=marks.gaps if numbered else (),
        quarantined=tuple(notes),
        server_time_us=now_us,
    )
