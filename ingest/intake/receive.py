"""
Receive a batch: each reading is stored, known already or quarantined, or the batch is refused whole.

Promises: every reading of an accepted batch is afterwards stored, a duplicate, or in quarantine. A number is
stored once; the same number with other content goes into quarantine beside the first. `Refused` is raised
before any reading is written, so a refusal needs no rollback.
Leaves to others: decoding (`gateway.wire`), keys (`ingest.owners.access`), the commit
(`ingest.writer.writer`); and to the parts it puts together: `ingest.checking.incoming`,
`ingest.checking.repeats`, `ingest.checking.doubts`, `ingest.checking.neighbours`,
`ingest.quarantine.revising`, `ingest.intake.replacing`, `ingest.intake.plain_run`, `ingest.intake.answers`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import Answer, Batch
from cleanside.ingest.checking.checks import Doubts
from cleanside.ingest.checking.doubts import doubts_about, held_entries, opaque_entry
from cleanside.ingest.checking.incoming import Incoming, store_believed, stream_name
from cleanside.ingest.checking.neighbours import Neighbours, look
from cleanside.ingest.checking.repeats import Verdict, is_elsewhere, judge, refuse_fork
from cleanside.ingest.errors import Refused, writable
from cleanside.ingest.intake import again
from cleanside.ingest.intake.answers import answer_of, notes_of
from cleanside.ingest.intake.new_streams import open_streams
from cleanside.ingest.intake.plain_run import PlainRun, device_of, goes_on
from cleanside.ingest.intake.replacing import replace
from cleanside.ingest.quarantine.revising import revise
from cleanside.ingest.store import (
    clock_steps,
    declared,
    fleet,
    gateway_reports,
    quarantine,
    readings,
    reports,
    round_trips,
    second_readings,
    streams,
)
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.marks import Marks, Ranges, Shed, advance, ranges_of, union
from cleanside.ingest.store.streams import Stream

MAX_UNKNOWN_HELD = 10_000  # readings of unregistered devices, an owner; chosen: a day of one at 10 s
MAX_ISLANDS = 4_096  # ranges beyond the mark, a stream; no gateway causes more; chosen


def receive_all(connection: sa.Connection, batches: Sequence[Incoming]) -> list[Answer | Refused]:
    """
    Receive batches in this order; returns for each its answer or its refusal.

    Nearly all continue their stream without a doubt: those are written together.
    """
    names: dict[int, list[str]] = {}
    for incoming in batches:
        names.setdefault(incoming.owner_id, []).append(stream_name(incoming.batch))
    asked = [streams.asked(connection, owner_id, sorted(set(names[owner_id]))) for owner_id in sorted(names)]
    found = [row for rows in round_trips.ask(connection, asked) for row in rows]
    known = [Stream._make(row[:-1]) for row in found]
    by_name = {(stream.owner_id, stream.stream): stream for stream in known}
    as_blocks = bool(found and found[0][-1])
    firsts = {_key(incoming): incoming for incoming in reversed(batches) if _key(incoming) not in by_name}
    if firsts:
        opened = open_streams(connection, [firsts[key] for key in sorted(firsts)])
        by_name |= {(stream.owner_id, stream.stream): stream for stream in opened.streams}
        as_blocks = opened.as_blocks
    outcomes: list[Answer | Refused] = []
    plain = PlainRun(as_blocks=as_blocks)
    for incoming in batches:
        key = _key(incoming)
        stream = by_name.get(key)
        if stream is not None and goes_on(incoming, stream):
            by_name[key] = plain.take(incoming, stream)
            marks = _marks_of(by_name[key])
            outcomes.append(
                answer_of(incoming.batch, marks, len(incoming.batch), 0, [], incoming.received_us)
            )
            continue
        plain.write(connection)  # the next batch may need to read what these wrote
        by_name.pop(key, None)
        try:
            outcomes.append(receive(connection, incoming))
        except Refused as refusal:
            outcomes.append(refusal)
    plain.write(connection)
    return outcomes


def _key(incoming: Incoming) -> tuple[int, str]:
    """Owner and name of its stream."""
    return incoming.owner_id, stream_name(incoming.batch)


def _marks_of(stream: Stream) -> Marks:
    return Marks(mark=stream.mark, highest=stream.highest)


def receive(connection: sa.Connection, incoming: Incoming) -> Answer:
    """
    Receive a batch. Nothing is acknowledged before the caller has committed.

    Raises Refused: 409 `stream_bound`, `stream_forked` or `too_many_gaps`, 403 `device_unknown` where too
    many readings of unregistered devices are quarantined.
    """
    batch, now_us = incoming.batch, incoming.received_us
    device, stream = _claim(connection, incoming)
    numbers, fresh_instants = _numbers(connection, incoming, stream)
    seen_now = _ranges_in(numbers, batch)
    marks = _marks(connection, stream, seen_now, batch)
    verdict = judge(connection, stream, marks, numbers, incoming, seen_now)
    opaque = opaque_entry(connection, stream, marks, batch)
    refuse_fork(stream, marks, batch, verdict, opaque)
    report = batch.gateway
    if report is not None and is_elsewhere(report, stream):
        report = None  # a repeat from a copied disk: the stream stays with the installation that began it
    doubts = doubts_about(incoming, device, stream.gateway_built)
    beside = _neighbours(connection, incoming, device, stream, verdict, numbers, doubts)
    verdict.settle(numbers, doubts)
    entries = held_entries(incoming, numbers, verdict, doubts)
    new_numbers = seen_now if verdict.new is None else ranges_of(sorted(numbers[i] for i in verdict.new))
    after = advance(
        marks,
        held=union(new_numbers, [(entry.seq, entry.seq) for entry in opaque]),
        shed=[Shed(s.first, s.last, second_readings.reason_from_sender(s.reason)) for s in batch.shed],
    )
    _keep_bounded(after)

    stored = store_believed(connection, stream.id, incoming, numbers, among=verdict.new, doubts=doubts)
    readings.put_instants(connection, stream.id, fresh_instants)
    quarantine.put(connection, stream.id, [*entries.values(), *opaque], now_us)
    tailed = stream._replace(tail_seq=after.highest, tail_us=beside.tail_us)
    streams.save(
        connection,
        tailed,
        marks,
        after,
        report,
        duplicates=verdict.duplicates + len(verdict.held_before),
        conflicts=len(verdict.conflicts),
        now_us=now_us,
    )
    resent = len(numbers) > 0 and verdict.new is not None and not verdict.new
    own, sent_before = declared.apart(stream.stream, batch.gateway)
    reports.put(connection, gateway_reports.reports_of(stream.id, own, now_us, before=marks, resent=resent))
    if sent_before:
        declared.keep(connection, incoming.owner_id, stream.device, sent_before, now_us)
    clock_steps.put(connection, stream.id, beside.steps, now_us)
    revise(connection, stream, beside, now_us)
    replaced = replace(connection, incoming, stream, {i: entries[i] for i in verdict.replaces})
    stored += len(verdict.replaces) - len(replaced)
    notes = notes_of(batch, numbers, entries, verdict, opaque, replaced)
    said = after if stream.again_mark is None else _said_again(connection, stream, after, seen_now, batch)
    return answer_of(batch, said, stored, verdict.duplicates, notes, now_us)


def _said_again(
    connection: sa.Connection, stream: Stream, after: Marks, seen_now: Ranges, batch: Batch
) -> Marks:
    """The marks to answer while a gateway is asked to send again; writes how far it has come."""
    mark = again.mark_after(stream, seen_now, batch)
    through = None if mark is None else stream.again_through
    streams.set_again(connection, stream.id, mark=mark, through=through)
    return after if mark is None else dataclasses.replace(after, mark=min(mark, after.mark))


def _neighbours(
    connection: sa.Connection,
    incoming: Incoming,
    device: DeviceRow,
    stream: Stream,
    verdict: Verdict,
    numbers: Sequence[int],
    doubts: Doubts,
) -> Neighbours:
    """What the neighbours show; nothing without numbers, or while the device is not registered."""
    if not stream.is_numbered or device.registered_us is None:
        return Neighbours()
    new = range(len(numbers)) if verdict.new is None else verdict.new
    return look(connection, stream, incoming, new, numbers, doubts)


def _claim(connection: sa.Connection, incoming: Incoming) -> tuple[DeviceRow, Stream]:
    """Device and stream of a batch, made where they are new; the stream is locked."""
    batch, owner_id, name = incoming.batch, incoming.owner_id, stream_name(incoming.batch)
    stream = streams.find(connection, owner_id, name, lock=True)
    if stream is not None and stream.device != batch.device:
        raise Refused("stream_bound", status=409, stream=name, device=batch.device)
    # Locked, so that a transfer in another process does not leave the new stream behind.
    device = device_of(stream) if stream else fleet.device(connection, owner_id, batch.device, lock=True)
    if device is None or device.registered_us is None:
        _refuse_too_much_unknown(connection, incoming)
        device = device or fleet.keep_device(connection, owner_id, batch.device)
    if stream is None:
        stream = streams.create(connection, owner_id, device.id, name, incoming.received_us)
    return device, stream


def _refuse_too_much_unknown(connection: sa.Connection, incoming: Incoming) -> None:
    quarantined = quarantine.count_unregistered(connection, incoming.owner_id)
    comes = len(incoming.batch) + (incoming.batch.opaque is not None)
    if quarantined + comes > MAX_UNKNOWN_HELD:
        raise Refused(
            "device_unknown",
            status=403,
            device=incoming.batch.device,
            quarantined=counted(quarantined, "reading"),
            most=MAX_UNKNOWN_HELD,
        )


def _numbers(
    connection: sa.Connection, incoming: Incoming, stream: Stream
) -> tuple[Sequence[int], dict[str, int]]:
    """
    The number of each reading, and instant -> number of those that get one now.

    The instant as sent identifies a reading without a number: one instant, one reading.
    """
    batch = incoming.batch
    if batch.seq is not None:
        return batch.seq, {}
    texts = [writable(batch.instant_text(index)) for index in range(len(batch))]
    numbers_known = readings.numbers_of_instants(connection, stream.id, texts)
    fresh: dict[str, int] = {}
    for text in texts:
        if text not in numbers_known and text not in fresh:
            fresh[text] = stream.highest + len(fresh) + 1
    both = numbers_known | fresh
    return [both[text] for text in texts], fresh


def _ranges_in(numbers: Sequence[int], batch: Batch) -> Ranges:
    if isinstance(numbers, range):
        return ((numbers[0], numbers[-1]),)
    return ranges_of(numbers if batch.seq is not None else sorted(set(numbers)))


def _marks(connection: sa.Connection, stream: Stream, seen_now: Ranges, batch: Batch) -> Marks:
    numbers = [*(n for r in seen_now for n in r), *(n for s in batch.shed for n in (s.first, s.last))]
    if batch.opaque is not None:
        numbers.append(batch.opaque.seq)
    near = (min(numbers), max(numbers)) if numbers else (1, 1)
    return streams.marks_of(connection, stream, near)


def _keep_bounded(marks: Marks) -> None:
    if len(marks.islands) > MAX_ISLANDS:
        raise Refused("too_many_gaps", status=409, ranges=len(marks.islands), most=MAX_ISLANDS)
