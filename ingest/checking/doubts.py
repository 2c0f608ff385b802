"""
Believed or quarantined: why a reading is doubted, and the quarantine entry made of it.

Promises: a quarantined reading is kept whole, as sent, with every reason. This room writes nothing.
Leaves to others: the checks (`ingest.checking.checks`), a second look (`ingest.quarantine.replay`).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence

import sqlalchemy as sa

from cleanside.gateway.wire import Batch, Doubt
from cleanside.ingest.checking import checks, content
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.checking.plausible_time import FUTURE_TOLERANCE_US, Service, is_plain
from cleanside.ingest.checking.repeats import Verdict
from cleanside.ingest.store import quarantine
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.marks import Marks, split_seen
from cleanside.ingest.store.quarantine import NewQuarantineRow
from cleanside.ingest.store.streams import Stream


def doubts_about(incoming: Incoming, device: DeviceRow, built: str | None) -> checks.Doubts:
    """Index -> why a reading is not believed. `built` : build date of the gateway, if known."""
    batch = incoming.batch
    built = (batch.gateway.built if batch.gateway else None) or built
    service = service_of(device, built)
    if (
        device.registered_us is not None
        and not incoming.doubts
        and is_plain(*incoming.span_us, incoming.received_us, service)
    ):
        return {}  # nearly all
    doubts = {index: list(found) for index, found in incoming.doubts.items()}
    checks.add_doubts_of_times(
        batch, incoming.at_us, incoming.at_known, doubts, now_us=incoming.received_us, service=service
    )
    if device.registered_us is None:
        unknown = unknown_device_doubt(device.name)
        for index in range(len(batch)):
            doubts.setdefault(index, []).insert(0, unknown)
    return doubts


def service_of(device: DeviceRow, built: str | None) -> Service:
    """What the server knows of a device and its gateway that matters for time."""
    return Service(
        in_service_us=device.in_service_us,
        registered_us=device.registered_us,
        history_from_us=device.history_from_us,
        built=built,
    )


def unknown_device_doubt(name: str) -> Doubt:
    """Why readings of an unregistered device are quarantined."""
    return Doubt("device_unknown", {"device": name})


def held_entries(
    incoming: Incoming, numbers: Sequence[int], verdict: Verdict, doubts: checks.Doubts
) -> dict[int, NewQuarantineRow]:
    """Index -> quarantine entry."""
    new = set(verdict.new) if verdict.new is not None else None
    entries: dict[int, NewQuarantineRow] = {}
    for index in sorted(doubts):
        if new is None or index in new:
            entries[index] = _held(incoming, numbers[index], index, doubts[index], beside=False)
    beside = verdict.conflicts | dict.fromkeys(verdict.replaces, "quarantined")
    for index, other in beside.items():
        conflict = _conflict(incoming.batch, numbers[index], index, other)
        reasons = [conflict, *doubts.get(index, ())]
        entries[index] = _held(incoming, numbers[index], index, reasons, beside=True)
    return entries


def _conflict(batch: Batch, number: int, index: int, other: str) -> Doubt:
    """The doubt about a reading whose number or instant another reading has. other : where that one is."""
    which = {"number": number} if batch.seq is not None else {"at": batch.instant_text(index)}
    return Doubt("number_conflict", {**which, "other_is": other})


def _held(
    incoming: Incoming, number: int, index: int, doubts: Sequence[Doubt], *, beside: bool
) -> NewQuarantineRow:
    return NewQuarantineRow(
        seq=number,
        content_hash=int(incoming.hashes[index]),
        beside=beside,
        doubts=tuple(doubts),
        content=json.dumps(incoming.batch.as_sent(index)),  # in ASCII: any content can be stored
        recheck_us=recheck_us(doubts, incoming.batch.at_us[index]),
    )


def recheck_us(doubts: Sequence[Doubt], at_us: int | None) -> int | None:
    """When the server checks again by itself: once a future time has come, if that is the only doubt."""
    if at_us is not None and {d.code for d in doubts} == {"time_in_future"}:
        return at_us - FUTURE_TOLERANCE_US
    return None


def opaque_entry(
    connection: sa.Connection, stream: Stream, marks: Marks, batch: Batch
) -> list[NewQuarantineRow]:
    """The entry of a record that the server refused to read, under its number; None if it is a repeat."""
    if batch.opaque is None:
        return []
    number, digest = batch.opaque.seq, content.opaque_hash(batch.opaque.content)
    arrived, _ = split_seen(marks, ((number, number),))
    aside = quarantine.seen(connection, stream.id, ((number, number),)).get(number, [])
    if any(row.content_hash == digest for row in aside):
        return []
    doubts = [Doubt("opaque", {"number": number})]
    if arrived:
        doubts.insert(0, Doubt("number_conflict", {"number": number, "other_is": "stored", "opaque": True}))
    sent = {"seq": number, "base64": base64.b64encode(batch.opaque.content).decode()}
    text = json.dumps({"opaque": sent})
    return [NewQuarantineRow(number, digest, bool(arrived), tuple(doubts), text, None)]
