"""
New, repeated or in conflict: each reading of a batch compared with its stream, and forks refused.

Promises: the same number with the same content is a repeat, with other content a conflict. It writes nothing.
Leaves to others: what is believed (`ingest.checking.doubts`), what is stored (`ingest.intake.receive`).
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from cleanside.gateway.wire import Batch, GatewayReport
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.errors import Refused
from cleanside.ingest.store import quarantine, readings, reasons
from cleanside.ingest.store.marks import Marks, Ranges, intersect, meets, split_seen, subtract, union
from cleanside.ingest.store.streams import Stream

IN_THIS_BATCH = "in_this_batch"  # until the doubts about the batch are known


@dataclass(slots=True)
class Verdict:
    """Indexes of readings by outcome."""

    new: list[int] | None = None  # None: every reading of the batch
    duplicates: int = 0
    #: index -> where the reading is that has the number (`gateway.wire.QuarantineNote.other_is`)
    conflicts: dict[int, str] = field(default_factory=dict)
    #: index -> code, detail, other_is of readings that are in quarantine already
    held_before: dict[int, tuple[str, str, str | None]] = field(default_factory=dict)
    #: those that replace a reading in quarantine, as the sender asks
    replaces: list[int] = field(default_factory=list)

    def settle(self, numbers: Sequence[int], doubted: Container[int]) -> None:
        """
        Of conflicts inside the batch, record where the first reading of the number goes. doubted : indexes.
        """
        if IN_THIS_BATCH not in self.conflicts.values():
            return
        firsts: dict[int, int] = {}
        for index, number in enumerate(numbers):
            firsts.setdefault(number, index)
        for index, other in self.conflicts.items():
            if other == IN_THIS_BATCH:
                self.conflicts[index] = "quarantined" if firsts[numbers[index]] in doubted else "stored"


def judge(
    connection: sa.Connection,
    stream: Stream,
    marks: Marks,
    numbers: Sequence[int],
    incoming: Incoming,
    seen_now: Ranges,
) -> Verdict:
    """Look up the numbers of a batch that may have been seen; a batch beyond all of them needs no query."""
    # Numbers of a numbered batch are distinct; instants of one without may repeat inside it.
    distinct = incoming.batch.seq is not None or len(set(numbers)) == len(numbers)
    if not seen_now:
        return Verdict()
    if distinct and not meets(marks, seen_now[0][0], seen_now[-1][1]):
        return _of_left_numbers(connection, stream, marks, numbers, incoming, seen_now)
    arrived, _ = split_seen(marks, seen_now)
    stored_hashes = readings.hashes(connection, stream.id, arrived)
    aside = quarantine.seen(connection, stream.id, arrived)
    # Every reading of an unregistered device is quarantined, up to a bound on quarantined readings.
    replaces = incoming.batch.replace_quarantined and stream.device_registered_us is not None
    return _compare(numbers, incoming.hashes.tolist(), stored_hashes, aside, replaces=replaces)


def _of_left_numbers(
    connection: sa.Connection,
    stream: Stream,
    marks: Marks,
    numbers: Sequence[int],
    incoming: Incoming,
    seen_now: Ranges,
) -> Verdict:
    """Of a batch that leaps: a reading that a person took out of the numbering, sent again, is a repeat."""
    if not stream.is_numbered or (len(seen_now) == 1 and seen_now[0][0] <= marks.highest + 1):
        return Verdict()
    aside = quarantine.seen(connection, stream.id, seen_now)
    return _compare(numbers, incoming.hashes.tolist(), {}, aside, replaces=False) if aside else Verdict()


_Aside = Mapping[int, Sequence[sa.Row[tuple[int, int, str, str, str, bool]]]]


def _compare(
    numbers: Sequence[int], hashes: Sequence[int], kept: Mapping[int, int], aside: _Aside, *, replaces: bool
) -> Verdict:
    """Sort readings into repeats, conflicts and new ones, also inside the batch itself. Pure."""
    verdict = Verdict(new=[])
    assert verdict.new is not None
    in_batch: dict[int, set[int]] = {}
    for index, (number, digest) in enumerate(zip(numbers, hashes, strict=True)):
        before = in_batch.setdefault(number, set())
        entry = next((row for row in aside.get(number, ()) if row.content_hash == digest), None)
        other = _other(number, kept, aside, in_this_batch=bool(before))
        conflicts = entry is None or entry.beside
        dealt_with = entry is not None and entry.state != quarantine.HELD  # released or discarded since
        if kept.get(number) == digest or digest in before or dealt_with:
            verdict.duplicates += 1
        elif replaces and conflicts and not before and _may_be_replaced(number, kept, aside):
            verdict.replaces.append(index)
        elif entry is not None:
            detail = reasons.read(entry.reasons)[0].detail
            verdict.held_before[index] = (entry.code, detail, other if entry.beside else None)
        elif other is not None:
            verdict.conflicts[index] = other
        else:
            verdict.new.append(index)
        before.add(digest)
    return verdict


def _other(number: int, kept: Mapping[int, int], aside: _Aside, *, in_this_batch: bool) -> str | None:
    """Where the reading with a number is; None: the number is free."""
    first = next((row for row in aside.get(number, ()) if not row.beside), None)
    if number in kept or (first is not None and first.state == quarantine.RELEASED):
        return "stored"
    if first is not None:
        return "quarantined" if first.state == quarantine.HELD else "discarded"
    return IN_THIS_BATCH if in_this_batch else None


def _may_be_replaced(number: int, kept: Mapping[int, int], aside: _Aside) -> bool:
    """True where the reading with the number is in quarantine, and was never stored."""
    first = next((row for row in aside.get(number, ()) if not row.beside), None)
    waits = first is not None and first.state == quarantine.HELD and first.code != quarantine.SET_ASIDE
    return waits and number not in kept


def is_elsewhere(told: GatewayReport, stream: Stream) -> bool:
    """True where another installation writes this stream."""
    return bool(told.installation and stream.installation and told.installation != stream.installation)


def refuse_fork(
    stream: Stream,
    marks: Marks,
    batch: Batch,
    verdict: Verdict,
    opaque: Sequence[quarantine.NewQuarantineRow],
) -> None:
    """
    Refuse a copied or restored disk that writes an old stream: its readings would count as repeats.

    A batch with only new numbers is no fork: a later one may have overtaken it. Nor is a batch without
    anything new: its reply may have been lost, and later batches stored since.
    opaque : the entry of its opaque record.
    """
    report = batch.gateway
    if report is None or is_repeat(marks, batch, verdict, opaque):
        return
    name = stream.stream
    if is_elsewhere(report, stream):
        raise Refused("stream_elsewhere", status=409, code="stream_forked", stream=name)
    if report.appended_through is None or report.appended_through >= stream.highest:
        return
    if not _only_new(marks, batch, verdict, opaque):
        raise Refused(
            "stream_forked",
            status=409,
            stream=name,
            highest=stream.highest,
            appended_through=report.appended_through,
        )


def is_repeat(
    marks: Marks, batch: Batch, verdict: Verdict, opaque: Sequence[quarantine.NewQuarantineRow]
) -> bool:
    """True where the server has all of a batch with equal content: every reading, shed range and record."""
    if not (len(batch) or batch.shed or batch.opaque is not None):
        return False
    if verdict.conflicts or verdict.replaces or verdict.new or (verdict.new is None and len(batch)) or opaque:
        return False
    return not subtract(_shed_in(batch), marks.covered)


def _only_new(
    marks: Marks, batch: Batch, verdict: Verdict, opaque: Sequence[quarantine.NewQuarantineRow]
) -> bool:
    """True where the server has nothing of a batch; a report alone has nothing to compare."""
    readings_new = verdict.new is None or len(verdict.new) == len(batch)
    record_new = batch.opaque is None or (bool(opaque) and not opaque[0].beside)
    return readings_new and record_new and not intersect(_shed_in(batch), marks.covered)


def _shed_in(batch: Batch) -> Ranges:
    return union((entry.first, entry.last) for entry in batch.shed)
