"""
Two readings under one number that are both right: of two machines with a copied spool, or of an old image.

Promises: a person names the device of the second reading. The reading goes through the same checks as on
receipt, for that device, into a stream that the server makes; the entry records its number there. The first
reading stays. A resend of the second is a duplicate. A reading that a gateway sent again under another number
is not stored twice. It can be undone.
Leaves to others: who may do it (`ingest.api.routes`), the rows (`ingest.store.second_readings`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from cleanside.gateway import wire
from cleanside.gateway.units import counted
from cleanside.gateway.wire import Doubt, parse_instant
from cleanside.ingest.checking.doubts import doubts_about
from cleanside.ingest.checking.incoming import known_as, prepare, store_believed, units_text
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.quarantine.amend import AmendmentOutcome, Who, begin
from cleanside.ingest.store import dialect, quarantine, readings, reasons, second_readings, streams
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.marks import advance
from cleanside.ingest.store.quarantine import HELD, RELEASED, QuarantineRow
from cleanside.ingest.store.second_readings import GIVEN_TO_ANOTHER, StoredBeside
from cleanside.ingest.store.streams import Stream

KIND = "both_right"
Document = dict[str, Any]


def keep_both(
    connection: sa.Connection,
    who: Who,
    entries: Sequence[QuarantineRow],
    device: DeviceRow,
    now_us: int,
    detail: str,
) -> AmendmentOutcome:
    """
    Store the second of two readings as one of `device`. Raises Refused (422) where an entry is no second one.

    Entries that are stored already under another number are released: they count neither as stored nor as
    quarantined.
    """
    _refuse_others(entries)
    amendment_id = begin(connection, who, KIND, now_us, detail, entries)
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in entries])
    stored = 0
    for stream_id, group in groupby(sorted(entries, key=_in_order), key=lambda entry: entry.stream_id):
        left = _release_known(connection, stream_id, list(group), device)
        for _, piece in groupby(left, key=_units):
            stored += _keep(connection, list(piece), device, now_us)
    after = quarantine.by_ids(connection, who.owner_id, [entry.id for entry in entries])
    notes = tuple((e.id, e.code, json.loads(e.reasons)[-1]["detail"]) for e in after if e.state == HELD)
    return AmendmentOutcome(amendment_id=amendment_id, entries=len(entries), stored=stored, held=notes)


def _refuse_others(entries: Sequence[QuarantineRow]) -> None:
    errors = [
        Complaint(f"#/entries/{entry.id}", "number_has_no_other")
        if not entry.beside
        else Complaint(f"#/entries/{entry.id}", "record_unreadable")
        for entry in entries
        if not entry.beside or "opaque" in _document(entry)
    ]
    if errors:
        raise Refused(
            "no_second_readings",
            status=422,
            code="change_does_not_fit",
            errors=errors[:64],
            more_errors=max(0, len(errors) - 64),
            not_fitting=len(errors),
            entries=counted(len(entries), "entry", "entries"),
        )


def _document(entry: QuarantineRow) -> Document:
    document: Document = json.loads(entry.amended or entry.content)
    return document


def _units(entry: QuarantineRow) -> str:
    return json.dumps(_document(entry).get("units", {}), sort_keys=True)


def _in_order(entry: QuarantineRow) -> tuple[int, str, int, int]:
    """Readings of one batch together: of one stream and with the same units, by number."""
    return entry.stream_id, _units(entry), entry.seq, entry.id


# ---------------------------------------------------------------- sent again


def _release_known(
    connection: sa.Connection, stream_id: int, entries: list[QuarantineRow], device: DeviceRow
) -> list[QuarantineRow]:
    """
    Release entries whose content the gateway has sent again under another number. Returns the others.

    A reading that it sent again as one of its own device moves to the named device.
    """
    times = {entry.content_hash: at_us for entry in entries if (at_us := _at_us(entry)) is not None}
    sent_again = second_readings.with_content(connection, [device.id], times, without=stream_id)
    released = [entry for entry in entries if entry.content_hash in sent_again]
    second_readings.put(
        connection, [StoredBeside(entry.id, *sent_again[entry.content_hash], True) for entry in released]
    )
    quarantine.set_states(connection, [entry.id for entry in released], RELEASED)
    if entries[0].device_id != device.id:
        others = {digest: at_us for digest, at_us in times.items() if digest not in sent_again}
        before = second_readings.with_content(connection, [entries[0].device_id], others, without=stream_id)
        second_readings.take_away(connection, list(before.values()), GIVEN_TO_ANOTHER)
    return [entry for entry in entries if entry.content_hash not in sent_again]


def _at_us(entry: QuarantineRow) -> int | None:
    at = _document(entry).get("at")
    try:
        return parse_instant(at).us if isinstance(at, str) else None
    except ValueError:
        return None


# ---------------------------------------------------------------- store


def _keep(connection: sa.Connection, entries: list[QuarantineRow], device: DeviceRow, now_us: int) -> int:
    """Store entries of one stream and one set of units. Returns how many are believed."""
    stream = _stream_for(connection, entries, device)
    batch = _batch(entries, device.name)
    units = units_text(batch)
    incoming = prepare(
        batch,
        owner_id=device_owner(entries),
        units=units,
        unit_set_id=readings.keep_unit_set(connection, units),
        received_us=now_us,
        sqlite=dialect.is_sqlite(connection),
    )
    doubts = doubts_about(incoming, device, None)
    believed = [index for index in range(len(entries)) if index not in doubts]
    numbers = [0] * len(entries)
    for number, index in enumerate(believed, stream.highest + 1):
        numbers[index] = number
    as_received = known_as(incoming, [entry.content_hash for entry in entries])
    stored = store_believed(connection, stream.id, as_received, numbers, among=None, doubts=doubts)
    _advance(connection, stream, stored)
    places = [StoredBeside(entries[i].id, stream.id, numbers[i], False) for i in believed]
    second_readings.put(connection, places)
    quarantine.set_states(connection, [entries[i].id for i in believed], RELEASED)
    _say_why_not(connection, entries, doubts)
    return stored


def device_owner(entries: Sequence[QuarantineRow]) -> int:
    """The owner of these entries; all are of one."""
    return entries[0].owner_id


def _stream_for(connection: sa.Connection, entries: Sequence[QuarantineRow], device: DeviceRow) -> Stream:
    """The stream of second readings, locked. It was received when they came, and not now."""
    name = second_readings.stream_name(entries[0].stream, device.name)
    heard_us = max(entry.received_us for entry in entries)
    owner_id = device_owner(entries)
    stream = streams.find(connection, owner_id, name, lock=True)
    return stream or streams.create(connection, owner_id, device.id, name, heard_us)


def _batch(entries: Sequence[QuarantineRow], device: str) -> wire.Batch:
    """The entries as a batch without numbers: two of them may have had one number."""
    documents = [_document(entry) for entry in entries]
    given = [{k: v for k, v in d.items() if k not in ("units", "seq")} for d in documents]
    envelope = {"device": device, "units": documents[0].get("units", {}), "readings": given}
    return wire.decode(json.dumps(envelope).encode())


def _advance(connection: sa.Connection, stream: Stream, stored: int) -> None:
    if stored:
        before = streams.marks_of(connection, stream)
        after = advance(before, held=((stream.highest + 1, stream.highest + stored),))
        heard_us = stream.last_heard_us
        streams.save(connection, stream, before, after, None, duplicates=0, conflicts=0, now_us=heard_us)


def _say_why_not(
    connection: sa.Connection, entries: Sequence[QuarantineRow], doubts: Mapping[int, Sequence[Doubt]]
) -> None:
    """Note beside the conflict why a reading is not believed as one of that device."""
    noted = []
    for index, found in doubts.items():
        entry = entries[index]
        first = reasons.read(entry.reasons)[0]
        of_an_earlier_release = {"number": entry.seq, "other_is": "stored"}
        values = of_an_earlier_release if first.values is None else first.values
        noted.append((entry.id, [Doubt(first.code, values), *found], None))
    quarantine.set_doubts(connection, noted)
