"""
The answer to a batch: its mark, and what of it is in quarantine, grouped where neighbours share a reason.

Promises: pure. Leaves to others: how it is written (`gateway.wire`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from cleanside.gateway.wire import Answer, Batch, QuarantineNote
from cleanside.ingest.errors import writable
from cleanside.ingest.intake.repeats import Verdict
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.store.quarantine import NewQuarantineRow


def notes_of(
    batch: Batch,
    numbers: Sequence[int],
    entries: Mapping[int, NewQuarantineRow],
    verdict: Verdict,
    opaque: Sequence[NewQuarantineRow],
) -> list[QuarantineNote]:
    """What is in quarantine of this batch, grouped where neighbours share a reason."""
    found = {index: (held.doubts[0].code, held.doubts[0].detail) for index, held in entries.items()}
    found |= verdict.held_before
    key = {index: index if batch.seq is None else numbers[index] for index in found}
    flat = sorted((key[index], *reason) for index, reason in found.items())
    flat += [(held.seq, held.doubts[0].code, held.doubts[0].detail) for held in opaque]
    notes: list[QuarantineNote] = []
    for number, code, said in sorted(flat):
        detail = writable(said)
        if notes and notes[-1].code == code and notes[-1].last + 1 == number:
            grouped = notes[-1]
            notes[-1] = QuarantineNote(first=grouped.first, last=number, code=code, detail=grouped.detail)
        else:
            notes.append(QuarantineNote(first=number, last=number, code=code, detail=detail))
    return notes


def answer_of(
    batch: Batch, marks: Marks, stored: int, duplicates: int, notes: list[QuarantineNote], now_us: int
) -> Answer:
    """What the sender is told; readings without numbers have no mark and no gaps."""
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
