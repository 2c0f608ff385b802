"""
What becomes of a batch: stored, known already, held in quarantine, or refused whole.

Promises: every reading of an accepted batch is afterwards stored, a duplicate, or in quarantine. A number
is stored once; the same number with other content is kept beside the first. `Refused` is raised before
any reading is written, so that a refusal needs no undoing.
Leaves to others: decoding (`gateway.wire`), keys (`ingest.access`), the commit (`ingest.writer`).
"""

from __future__ import annotations

import base64
import dataclasses
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from gateway.units import QUANTITIES, accepts
from gateway.wire import Answer, Batch, Doubt, GatewayReport, QuarantineNote
from ingest import checks, content
from ingest.content import FloatArray, HashArray
from ingest.errors import Refused, writable
from ingest.marks import Marks, Ranges, Shed, advance, meets, ranges_of, split_seen, union
from ingest.store import fleet, quarantine, readings, streams
from ingest.store.fleet import Device
from ingest.store.quarantine import Held
from ingest.store.streams import Stream

MAX_UNKNOWN_HELD = 10_000  # readings of unregistered devices, an owner; chosen: a day of one at 10 s
MAX_ISLANDS = 4_096  # ranges beyond the mark, a stream; more is no gateway's doing; chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class Incoming:
    """A decoded batch with all that can be worked out before the database is asked."""

    owner_id: int
    batch: Batch
    #: instants, 0 where not understood [us]; and which are understood, None: all
    at_us: npt.NDArray[np.int64]
    at_known: npt.NDArray[np.bool_] | None
    #: column -> values in SI; NaN where absent
    si: Mapping[str, FloatArray]
    hashes: HashArray
    #: doubts that rest on the readings alone
    doubts: checks.Doubts
    unit_set_id: int
    received_us: int
    sqlite: bool
    #: all readings, ready to be stored, where they have numbers and nothing is doubted so far
    ready: readings.Encoded | None = None

    @property
    def order_key(self) -> str:
        """Batches of one commit are taken in this order, so that processes lock streams in one order."""
        return f"{self.owner_id} {stream_name(self.batch)}"


def prepare(batch: Batch, *, owner_id: int, unit_set_id: int, received_us: int, sqlite: bool) -> Incoming:
    """Turn a batch into arrays, check its values, and encode it for the database at hand."""
    sent = {name: content.as_sent(column) for name, column in batch.columns.items()}
    si = content.in_si(batch, sent)
    at_us, at_known = checks.instants_of(batch)
    incoming = Incoming(
        owner_id=owner_id,
        batch=batch,
        at_us=at_us,
        at_known=at_known,
        si=si,
        hashes=content.content_hashes(batch, sent),
        doubts=checks.doubts_of_values(batch, si),
        unit_set_id=unit_set_id,
        received_us=received_us,
        sqlite=sqlite,
    )
    if batch.seq is None or incoming.doubts or not len(batch):
        return incoming
    return dataclasses.replace(incoming, ready=_encoded(incoming, batch.seq, None))


def stream_name(batch: Batch) -> str:
    """The stream of a batch; readings without numbers share one for each device."""
    return batch.stream if batch.stream is not None else streams.UNNUMBERED + batch.device


def units_text(batch: Batch) -> str:
    """The units in which a batch's stored values were sent, as canonical JSON."""
    used = {
        name: unit
        for name in batch.columns
        if name in QUANTITIES and (unit := batch.units.get(name)) is not None and accepts(unit, name)
    }
    return json.dumps(used, sort_keys=True)


# ---------------------------------------------------------------- receive


def receive_all(connection: sa.Connection, batches: Sequence[Incoming]) -> list[Answer | Refused]:
    """
    Take batches in, in this order, and give for each its answer or why it is refused.

    Nearly all go on where their stream stood, and nothing about them is doubted: those are written together.
    """
    names: dict[int, list[str]] = {}
    for incoming in batches:
        names.setdefault(incoming.owner_id, []).append(stream_name(incoming.batch))
    known = {
        (owner_id, name): stream
        for owner_id, of_owner in sorted(names.items())
        for name, stream in streams.find_all(connection, owner_id, sorted(set(of_owner))).items()
    }
    outcomes: list[Answer | Refused] = []
    plain = _Plain()
    for incoming in batches:
        key = (incoming.owner_id, stream_name(incoming.batch))
        stream = known.get(key)
        if stream is not None and goes_on(incoming, stream):
            known[key] = plain.take(incoming, stream)
            marks = _marks_of(known[key])
            outcomes.append(_answer(incoming.batch, marks, len(incoming.batch), 0, [], incoming.received_us))
            continue
        plain.write(connection)  # what comes next may look at what these brought
        known.pop(key, None)
        try:
            outcomes.append(receive(connection, incoming))
        except Refused as refusal:
            outcomes.append(refusal)
    plain.write(connection)
    return outcomes


def goes_on(incoming: Incoming, stream: Stream) -> bool:
    """True where a batch brings the next numbers of its stream, all of them believed, and nothing else."""
    batch, told = incoming.batch, incoming.batch.gateway
    if incoming.ready is None or batch.shed or batch.opaque is not None or batch.at_text:
        return False
    if not isinstance(batch.seq, range) or batch.seq[0] != stream.mark + 1 or stream.mark != stream.highest:
        return False
    if told is not None and _is_elsewhere(told, stream):
        return False
    if stream.device != batch.device or stream.device_registered_us is None:
        return False
    return not doubts_about(incoming, _device_of(stream), stream.gateway_built)


class _Plain:
    """Batches that go on, until they are written together."""

    def __init__(self) -> None:
        self._rows: list[tuple[int, readings.Encoded]] = []
        self._changed: dict[int, Stream] = {}
        self._reports: list[dict[str, Any]] = []

    def take(self, incoming: Incoming, stream: Stream) -> Stream:
        """The stream after the batch."""
        assert incoming.ready is not None
        assert incoming.batch.seq is not None
        last = incoming.batch.seq[-1]
        after = streams.with_report(stream, incoming.batch.gateway, incoming.received_us)
        after = dataclasses.replace(after, mark=last, highest=last)
        self._rows.append((stream.id, incoming.ready))
        self._changed[stream.id] = after
        self._reports += streams.report_rows(stream.id, incoming.batch.gateway, incoming.received_us)
        return after

    def write(self, connection: sa.Connection) -> None:
        """Write what was taken since the last time."""
        if self._rows:
            readings.put(connection, self._rows)
            streams.save_all(connection, list(self._changed.values()))
            streams.put_reports(connection, self._reports)
            self._rows, self._changed, self._reports = [], {}, []


def _marks_of(stream: Stream) -> Marks:
    return Marks(mark=stream.mark, highest=stream.highest)


def _device_of(stream: Stream) -> Device:
    return Device(
        stream.device_id,
        stream.owner_id,
        stream.device,
        stream.device_registered_us,
        stream.device_in_service_us,
    )


@dataclass(slots=True)
class _Verdict:
    """Indexes of readings by what becomes of them."""

    new: list[int] | None = None  # None: every reading of the batch
    duplicates: int = 0
    conflicts: list[int] = field(default_factory=list)
    #: index -> code, detail of readings that are in quarantine already
    held_before: dict[int, tuple[str, str]] = field(default_factory=dict)


def receive(connection: sa.Connection, incoming: Incoming) -> Answer:
    """
    Take a batch in. Nothing is acknowledged before the caller has committed.

    Raises Refused: 409 `stream_bound` or `stream_forked`, 403 `device_unknown` where too much is held.
    """
    batch, now_us = incoming.batch, incoming.received_us
    device, stream = _claim(connection, incoming)
    numbers, fresh_instants = _numbers(connection, incoming, stream)
    seen_now = _ranges_in(numbers, batch)
    marks = _marks(connection, stream, seen_now, batch)
    verdict = _judge(connection, stream, marks, numbers, incoming, seen_now)
    _refuse_fork(stream, batch, verdict, len(numbers))
    doubts = doubts_about(incoming, device, stream.gateway_built)
    entries = _held_entries(incoming, numbers, verdict, doubts)
    opaque = _opaque_entry(connection, stream, marks, batch)
    new_numbers = seen_now if verdict.new is None else ranges_of(sorted(numbers[i] for i in verdict.new))
    after = advance(
        marks,
        held=union(new_numbers, [(entry.seq, entry.seq) for entry in opaque]),
        shed=[Shed(s.first, s.last, s.reason) for s in batch.shed],
    )
    _keep_bounded(after)

    stored = store_believed(connection, stream.id, incoming, numbers, among=verdict.new, doubts=doubts)
    readings.put_instants(connection, stream.id, fresh_instants)
    quarantine.put(connection, stream.id, [*entries.values(), *opaque], now_us)
    streams.save(
        connection,
        stream,
        marks,
        after,
        batch.gateway,
        duplicates=verdict.duplicates + len(verdict.held_before),
        conflicts=len(verdict.conflicts),
        now_us=now_us,
    )
    streams.put_reports(connection, streams.report_rows(stream.id, batch.gateway, now_us))
    notes = _notes(batch, numbers, entries, verdict, opaque)
    return _answer(batch, after, stored, verdict.duplicates, notes, now_us)


def _claim(connection: sa.Connection, incoming: Incoming) -> tuple[Device, Stream]:
    """Device and stream of a batch, made where they are new; the stream is locked."""
    batch, owner_id, name = incoming.batch, incoming.owner_id, stream_name(incoming.batch)
    stream = streams.find(connection, owner_id, name, lock=True)
    if stream is not None and stream.device != batch.device:
        raise Refused(
            409,
            "stream_bound",
            f"stream {name} belongs to another device than {batch.device}; open a new stream for it",
        )
    device = fleet.device(connection, owner_id, batch.device) if stream is None else _device_of(stream)
    if device is None or device.registered_us is None:
        _refuse_too_much_unknown(connection, incoming)
        device = device or fleet.keep_device(connection, owner_id, batch.device)
    if stream is None:
        stream = streams.create(connection, owner_id, device.id, name, incoming.received_us)
    return device, stream


def _refuse_too_much_unknown(connection: sa.Connection, incoming: Incoming) -> None:
    held = quarantine.count_held(connection, incoming.owner_id, "device_unknown")
    if held + len(incoming.batch) > MAX_UNKNOWN_HELD:
        raise Refused(
            403,
            "device_unknown",
            f"device {incoming.batch.device} is not registered and {held} readings are held already, "
            f"at most {MAX_UNKNOWN_HELD}; register the device, then send again",
        )


def _numbers(
    connection: sa.Connection, incoming: Incoming, stream: Stream
) -> tuple[Sequence[int], dict[str, int]]:
    """
    The number of each reading, and instant -> number of those that get one now.

    Readings without numbers are known by their instant as sent: one instant, one reading.
    """
    batch = incoming.batch
    if batch.seq is not None:
        return batch.seq, {}
    texts = [writable(batch.instant_text(index)) for index in range(len(batch))]
    known = readings.numbers_of_instants(connection, stream.id, texts)
    fresh: dict[str, int] = {}
    for text in texts:
        if text not in known and text not in fresh:
            fresh[text] = stream.highest + len(fresh) + 1
    both = known | fresh
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


# ---------------------------------------------------------------- new, repeated or in conflict


def _judge(
    connection: sa.Connection,
    stream: Stream,
    marks: Marks,
    numbers: Sequence[int],
    incoming: Incoming,
    seen_now: Ranges,
) -> _Verdict:
    # Numbers of a numbered batch are distinct; instants of one without may repeat inside it.
    distinct = incoming.batch.seq is not None or len(set(numbers)) == len(numbers)
    if not seen_now or (distinct and not meets(marks, seen_now[0][0], seen_now[-1][1])):
        return _Verdict()
    held, _ = split_seen(marks, seen_now)
    kept = readings.hashes(connection, stream.id, held)
    aside = quarantine.seen(connection, stream.id, held)
    return _compare(numbers, incoming.hashes.tolist(), kept, aside)


def _compare(
    numbers: Sequence[int],
    hashes: Sequence[int],
    kept: Mapping[int, int],
    aside: Mapping[int, Sequence[sa.Row[tuple[int, int, str, str, str]]]],
) -> _Verdict:
    """Tell repeats and conflicts from what is new, also inside the batch itself. Pure."""
    verdict = _Verdict(new=[])
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


def _is_elsewhere(told: GatewayReport, stream: Stream) -> bool:
    """True where another installation goes on under this stream."""
    return bool(told.installation and stream.installation and told.installation != stream.installation)


def _refuse_fork(stream: Stream, batch: Batch, verdict: _Verdict, count: int) -> None:
    """
    A copied or restored disk goes on under an old stream: its readings would be taken for repeats.

    A batch that only brings new numbers is no fork: it may have been overtaken by a later one.
    """
    told = batch.gateway
    if told is None:
        return
    name = stream.stream
    if _is_elsewhere(told, stream):
        raise Refused(
            409, "stream_forked", f"stream {name} is written by another installation; open a new one"
        )
    if told.appended_through is None or told.appended_through >= stream.highest:
        return
    only_new = count > 0 and (verdict.new is None or len(verdict.new) == count)
    if not only_new:
        raise Refused(
            409,
            "stream_forked",
            f"stream {name}: the server has seen number {stream.highest}, the gateway says it gave only "
            f"{told.appended_through}; open a new stream for what comes now",
        )


# ---------------------------------------------------------------- believed or held


def doubts_about(incoming: Incoming, device: Device, built: str | None) -> checks.Doubts:
    """index -> why a reading is not believed. `built`: of the gateway, as far as known."""
    batch = incoming.batch
    built = (batch.gateway.built if batch.gateway else None) or built
    service = checks.Service(in_service_us=device.in_service_us, built=built)
    doubts = {index: list(found) for index, found in incoming.doubts.items()}
    checks.add_doubts_of_times(
        batch, incoming.at_us, incoming.at_known, doubts, now_us=incoming.received_us, service=service
    )
    if device.registered_us is None:
        unknown = unknown_device_doubt(device.name)
        for index in range(len(batch)):
            doubts.setdefault(index, []).insert(0, unknown)
    return doubts


def unknown_device_doubt(name: str) -> Doubt:
    """Why readings of a device that nobody registered are held."""
    return Doubt("device_unknown", f"device {name} is not registered; held until it is")


def _held_entries(
    incoming: Incoming, numbers: Sequence[int], verdict: _Verdict, doubts: checks.Doubts
) -> dict[int, Held]:
    """index -> what goes into quarantine."""
    new = set(verdict.new) if verdict.new is not None else None
    entries: dict[int, Held] = {}
    for index in sorted(doubts):
        if new is None or index in new:
            entries[index] = _held(incoming, numbers[index], index, doubts[index], beside=False)
    for index in verdict.conflicts:
        detail = f"number {numbers[index]} is taken by another content, which stays; find out which is right"
        if incoming.batch.seq is None:
            detail = f"there is another reading at {incoming.batch.instant_text(index)}, which stays"
        reasons = [Doubt("number_conflict", detail), *doubts.get(index, ())]
        entries[index] = _held(incoming, numbers[index], index, reasons, beside=True)
    return entries


def _held(incoming: Incoming, number: int, index: int, doubts: Sequence[Doubt], *, beside: bool) -> Held:
    return Held(
        seq=number,
        content_hash=int(incoming.hashes[index]),
        beside=beside,
        doubts=tuple(doubts),
        content=json.dumps(incoming.batch.as_sent(index)),  # in ASCII: whatever was sent can be kept
        recheck_us=recheck_us(doubts, incoming.batch.at_us[index]),
    )


def recheck_us(doubts: Sequence[Doubt], at_us: int | None) -> int | None:
    """When to look again unasked: once a time that lay ahead has come, if that is the only doubt."""
    if at_us is not None and {d.code for d in doubts} == {"time_in_future"}:
        return at_us - checks.FUTURE_TOLERANCE_US
    return None


def _opaque_entry(connection: sa.Connection, stream: Stream, marks: Marks, batch: Batch) -> list[Held]:
    """A record the gateway could not get through, held under its number; nothing if it is known already."""
    if batch.opaque is None:
        return []
    number, digest = batch.opaque.seq, content.opaque_hash(batch.opaque.content)
    held, _ = split_seen(marks, ((number, number),))
    aside = quarantine.seen(connection, stream.id, held).get(number, [])
    if any(row.content_hash == digest for row in aside):
        return []
    doubts = [Doubt("opaque", f"number {number} could not be read as a reading; its bytes are kept")]
    if held:
        doubts.insert(
            0, Doubt("number_conflict", f"number {number} is taken by another content, which stays")
        )
    sent = {"seq": number, "base64": base64.b64encode(batch.opaque.content).decode()}
    text = json.dumps({"opaque": sent})
    return [Held(number, digest, bool(held), tuple(doubts), text, None)]


# ---------------------------------------------------------------- store


def store_believed(
    connection: sa.Connection,
    stream_id: int,
    incoming: Incoming,
    numbers: Sequence[int],
    *,
    among: list[int] | None,
    doubts: checks.Doubts,
) -> int:
    """
    Store those readings that nobody doubts, under their numbers. Returns how many.

    among : indexes to choose from, None: all.
    """
    chosen = among
    if doubts:
        all_of_them = range(len(numbers)) if among is None else among
        chosen = [index for index in all_of_them if index not in doubts]
    if not len(numbers) or chosen == []:
        return 0
    encoded = incoming.ready
    if chosen is not None or encoded is None:
        encoded = _encoded(incoming, numbers, chosen)
    if incoming.batch.at_text:
        kept = range(len(numbers)) if chosen is None else set(chosen)
        texts = {numbers[i]: text for i, text in incoming.batch.at_text.items() if i in kept}
        readings.put_exact_times(connection, stream_id, texts)
    readings.put(connection, [(stream_id, encoded)])
    return encoded.rows.many


def _encoded(incoming: Incoming, numbers: Sequence[int], chosen: list[int] | None) -> readings.Encoded:
    """The chosen readings, ready to be stored; None: all."""
    pick = slice(None) if chosen is None else np.array(chosen)
    rows = readings.Rows(
        seq=_as_array(numbers)[pick],
        at_us=incoming.at_us[pick],
        at_uncertainty_s=_uncertainty(incoming.batch)[pick],
        content_hash=incoming.hashes[pick],
        values={name: column[pick] for name, column in incoming.si.items()},
        unit_set_id=incoming.unit_set_id,
        received_us=incoming.received_us,
    )
    return readings.encode(rows, sqlite=incoming.sqlite)


def _as_array(numbers: Sequence[int]) -> npt.NDArray[np.int64]:
    if isinstance(numbers, range):
        return np.arange(numbers.start, numbers.stop, dtype=np.int64)
    return np.array(numbers, dtype=np.int64)


def _uncertainty(batch: Batch) -> FloatArray:
    given = batch.at_uncertainty_s
    if isinstance(given, Sequence):
        return content.as_sent(given)
    return np.full(len(batch), np.nan if given is None else given)


def _keep_bounded(marks: Marks) -> None:
    if len(marks.islands) > MAX_ISLANDS:
        raise Refused(
            429,
            "too_many_gaps",
            f"the stream would have {len(marks.islands)} separate ranges beyond its mark, "
            f"at most {MAX_ISLANDS}; send the missing numbers, lowest first",
        )


# ---------------------------------------------------------------- answer


def _notes(
    batch: Batch,
    numbers: Sequence[int],
    entries: Mapping[int, Held],
    verdict: _Verdict,
    opaque: Sequence[Held],
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


def _answer(
    batch: Batch, marks: Marks, stored: int, duplicates: int, notes: list[QuarantineNote], now_us: int
) -> Answer:
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
