"""
New, repeated or in conflict: each reading of a batch held against what its stream has, and forks refused.

Promises: the same number with the same content is a repeat, with other content a conflict; nothing is
written here.
Leaves to others: what is believed (`ingest.intake.doubts`), what is stored (`ingest.intake.receive`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from cleanside.gateway.wire import Batch, GatewayReport
from cleanside.ingest.errors import Refused
from cleanside.ingest.intake.incoming import Incoming
from cleanside.ingest.store import quarantine, readings
from cleanside.ingest.store.marks import Marks, Ranges, intersect, meets, split_seen, subtract, union
from cleanside.ingest.store.streams import Stream


@dataclass(slots=True)
class Verdict:
    """Indexes of readings by what becomes of them."""

    new: list[int] | None = None  # None: every reading of the batch
    duplicates: int = 0
    conflicts: list[int] = field(default_factory=list)
    #: index -> code, detail of readings that are in quarantine already
    held_before: dict[int, tuple[str, str]] = field(default_factory=dict)


def judge(
    connection: sa.Connection,
    stream: Stream,
    marks: Marks,
    numbers: Sequence[int],
    incoming: Incoming,
    seen_now: Ranges,
) -> Verdict:
    """Look up those numbers of a batch that may have been seen; a batch beyond all that was needs no look."""
    # Numbers of a numbered batch are distinct; instants of one without may repeat inside it.
    distinct = incoming.batch.seq is not None or len(set(numbers)) == len(numbers)
    if not seen_now or (distinct and not meets(marks, seen_now[0][0], seen_now[-1][1])):
        return Verdict()
    held, _ = split_seen(marks, seen_now)
    kept = readings.hashes(connection, stream.id, held)
    aside = quarantine.seen(connection, stream.id, held)
    return _compare(numbers, incoming.hashes.tolist(), kept, aside)


def _compare(
    numbers: Sequence[int],
    hashes: Sequence[int],
    kept: Mapping[int, int],
    aside: Mapping[int, Sequence[sa.Row[tuple[int, int, str, str, str]]]],
) -> Verdict:
    """Tell repeats and conflicts from what is new, also inside the batch itself. Pure."""
    verdict = Verdict(new=[])
    assert verdict.new is not None
    here: dict[int, set[int]] = {}
    for index, (number, digest) in enumerate(zip(numbers, hashes, strict=True)):
        before = here.setdefault(number, set())
        held = next((row for row in aside.get(number, ()) if row.content_hash == digest), None)
        if kept.get(number) == digest or digest in before:
            verdict.duplicates += 1
        elif held is not None and held.state == quarantine.HELD:
            verdict.held_before[index] = (held.code, json.loads(held.reasons)[0]["detail"])
        elif held is not None:  # released or discarded since: it was dealt with
            verdict.duplicates += 1
        elif number in kept or number in aside or before:
            verdict.conflicts.append(index)
        else:
            verdict.new.append(index)
        before.add(digest)
    return verdict


def is_elsewhere(told: GatewayReport, stream: Stream) -> bool:
    """True where another installation goes on under this stream."""
    return bool(told.installation and stream.installation and told.installation != stream.installation)


def refuse_fork(
    stream: Stream,
    marks: Marks,
    batch: Batch,
    verdict: Verdict,
    opaque: Sequence[quarantine.NewQuarantineRow],
) -> None:
    """
    A copied or restored disk goes on under an old stream: its readings would be taken for repeats.

    A batch that only brings new numbers is no fork: it may have been overtaken by a later one. Nor is one
    that brings nothing new: its reply may have been lost, and later batches stored since.
    opaque : what of its opaque record is to be kept.
    """
    told = batch.gateway
    if told is None or is_repeat(marks, batch, verdict, opaque):
        return
    name = stream.stream
    if is_elsewhere(told, stream):
        raise Refused(
            409, "stream_forked", f"stream {name} is written by another installation; open a new one"
        )
    if told.appended_through is None or told.appended_through >= stream.highest:
        return
    if not _only_new(marks, batch, verdict, opaque):
        raise Refused(
            409,
            "stream_forked",
            f"stream {name}: the server has seen number {stream.highest}, the gateway says it gave only "
            f"{told.appended_through}; open a new stream for what comes now",
        )


def is_repeat(
    marks: Marks, batch: Batch, verdict: Verdict, opaque: Sequence[quarantine.NewQuarantineRow]
) -> bool:
    """True where the server has all of a batch with equal content: every reading, shed range and record."""
    if not (len(batch) or batch.shed or batch.opaque is not None):
        return False
    if verdict.conflicts or verdict.new or (verdict.new is None and len(batch)) or opaque:
        return False
    return not subtract(_shed_in(batch), marks.covered)


def _only_new(
    marks: Marks, batch: Batch, verdict: Verdict, opaque: Sequence[quarantine.NewQuarantineRow]
) -> bool:
    """True where the server has nothing of a batch; a report alone brings nothing that it could have."""
    readings_new = verdict.new is None or len(verdict.new) == len(batch)
    record_new = batch.opaque is None or (bool(opaque) and not opaque[0].beside)
    return readings_new and record_new and not intersect(_shed_in(batch), marks.covered)


def _shed_in(batch: Batch) -> Ranges:
    return union((entry.first, entry.last) for entry in batch.shed)
