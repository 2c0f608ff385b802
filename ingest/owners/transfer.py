"""
Transfer a machine to another owner, with its history.

Promises: everything of the machine moves: housings, limits, element changes, summaries, and for each device
that ever sat on it the stored, quarantined and archived readings of that time. A device that sits on it now
and never sat elsewhere moves whole. Of any other device, the numbers measured on this machine move to a
stream of the same name at the new owner, and count as shed at the old one, reason `transferred`: both
accounts balance. Where the new owner receives the same stream already, the two become one: equal readings
are repeats, and different ones are quarantined beside the first.
The old owner's keys lose the moved devices; a key without any ends. The gateway continues with a key of the
new owner: it asks for the mark and sends from there.
Leaves to others: who may offer and accept (`ingest.api.routes.transfer`), codes
(`ingest.owners.one_time_code`).
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import Doubt, GatewayReport, parse_instant
from cleanside.ingest.checking.doubts import service_of
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.enrolment import CLAIMED_AT_ONCE
from cleanside.ingest.quarantine.replay import reconsider
from cleanside.ingest.quarantine.withdrawing import as_sent
from cleanside.ingest.store import fleet, handover, keys, one_time_codes, quarantine, readings, streams
from cleanside.ingest.store.fleet import DeviceRow, MachineRow
from cleanside.ingest.store.handover import DeviceOnHousing, NumberSpan
from cleanside.ingest.store.marks import Marks, Range, Ranges, Shed, advance, ranges_of, subtract, union
from cleanside.ingest.store.quarantine import NewQuarantineRow, QuarantineRow
from cleanside.ingest.store.streams import Stream

TRANSFERRED = "transferred"
KEPT_ELSEWHERE = "held_by_former_owner"
READINGS_A_PIECE = 20_000  # numbers at once; bounds memory to some 50 MB; chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class Names:
    """New names at the new owner; left out: as before."""

    machine: str | None
    #: old name -> new name
    devices: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver:
    """The outcome of a transfer."""

    machine: str
    #: moved devices and their names now
    devices: dict[str, str]
    #: devices that stayed, and how many of their readings, measured on this machine, moved
    from_others: dict[str, int]
    #: keys of the old owner that ended, having no device left
    keys_ended: list[str]


def hand_over(
    connection: sa.Connection, machine: MachineRow, to_owner_id: int, names: Names, now_us: int
) -> HandedOver:
    """
    Give a machine and its history to another owner, now.

    Raises Refused (409) before anything is written: `name_taken`, `not_transferable`.
    """
    if machine.owner_id == to_owner_id:
        raise Refused("not_transferable", status=409, machine=machine.name)
    name = names.machine or machine.name
    if fleet.machine(connection, to_owner_id, name) is not None:
        raise _taken("machine", name)
    seated = handover.seated_on(connection, machine.id)
    targets = {s.device.id: _target(connection, s, to_owner_id, names) for s in seated}
    handover.give_machine(connection, machine.id, to_owner_id, name)
    one_time_codes.cancel_enrolments_on(connection, machine.id, now_us)
    went: dict[str, str] = {}
    from_others: dict[str, int] = {}
    for seat in seated:
        target, called = targets[seat.device.id]
        goes = sits_there_now(seat.here, now_us)
        if goes and not seat.elsewhere and target is None:
            handover.give_device(connection, seat.device, to_owner_id, called)
            went[seat.device.name] = called
            continue
        carried = _carry_device(connection, seat, to_owner_id, target, called, goes, now_us)
        if goes:
            went[seat.device.name] = called
        else:
            from_others[seat.device.name] = carried
    ended = keys.unbind(connection, machine.owner_id, list(went), now_us)
    return HandedOver(machine=name, devices=went, from_others=from_others, keys_ended=ended)


def sits_there_now(spans: list[NumberSpan], now_us: int) -> bool:
    """True if a device moves: it sits on the machine at this instant, or will. Pure."""
    return any(until_us is None or until_us > now_us for _, until_us in spans)


def _target(
    connection: sa.Connection, seat: DeviceOnHousing, to_owner_id: int, names: Names
) -> tuple[DeviceRow | None, str]:
    """The device that the new owner has already, where it is the same one, and its name there."""
    called = names.devices.get(seat.device.name, seat.device.name)
    device = fleet.device(connection, to_owner_id, called)
    if device is None:
        return None, called
    ours = {s.stream for s in streams.of_device(connection, seat.device.id) if s.is_numbered}
    theirs = {s.stream for s in streams.of_device(connection, device.id)}
    if ours & theirs and streams.UNNUMBERED + called not in theirs:
        return device, called
    raise _taken("device", called)


def _taken(what: str, name: str) -> Refused:
    return Refused("name_taken", status=409, what=what, name=name)


# ---------------------------------------------------------------- a device whose history is shared


def _carry_device(
    connection: sa.Connection,
    seat: DeviceOnHousing,
    to_owner_id: int,
    there: DeviceRow | None,
    called: str,
    goes: bool,
    now_us: int,
) -> int:
    """Move a device's readings on the machine. Returns how many."""
    known, there = there, there or fleet.keep_device(connection, to_owner_id, called)
    old = seat.device
    floor_us = service_of(old, None).floor_us
    fleet.register(connection, there, now_us, old.in_service_us, floor_us)
    handover.reseat(connection, seat, there.id, overrule=known is not None)
    # With a history on this machine alone all readings move, also those before its seat.
    spans: list[NumberSpan] = [(None, None)] if goes and not seat.elsewhere else seat.here
    carried = 0
    for stream in streams.of_device(connection, seat.device.id):
        locked = streams.find(connection, stream.owner_id, stream.stream, lock=True)
        assert locked is not None
        carried += _carry_stream(connection, locked, there, spans, goes, now_us)
    waiting = quarantine.held_of_device(connection, there.id, "device_unknown", limit=CLAIMED_AT_ONCE)
    reconsider(connection, waiting, now_us)  # the new owner's, from before it had the device
    return carried


def _carry_stream(
    connection: sa.Connection, old: Stream, there: DeviceRow, spans: list[NumberSpan], goes: bool, now_us: int
) -> int:
    name = old.stream if old.is_numbered else streams.UNNUMBERED + there.name
    entries = handover.entries_of(connection, old.id)
    quarantined = [e for e in entries if _stands_alone(e) and _within(_instant_of(e), spans)]
    candidates = handover.numbers_in(connection, old.id, spans)
    if not candidates and not quarantined and not goes:
        return 0
    known = streams.find(connection, there.owner_id, name, lock=True)
    new = known or streams.create(connection, there.owner_id, there.id, name, old.first_heard_us)
    numbers: list[int] = []
    for piece in _pieces(candidates):
        if known is None and not handover.is_archived(connection, old.id, piece):
            times = handover.times_of(connection, old.id, piece)
            inside_now = [(seq, at_us) for seq, at_us in times if _within(at_us, spans)]
            handover.move_rows(connection, old.id, new.id, inside_now)
            numbers += [seq for seq, _ in inside_now]
            continue
        rows = readings.take_out(connection, old.id, piece)
        inside = [row for row in rows if _within(row["at_us"], spans)]
        handover.put_rows(connection, old.id, [row for row in rows if not _within(row["at_us"], spans)])
        _put_beside(connection, new, inside, now_us)
        numbers += [row["seq"] for row in inside]
    seqs = {*numbers, *(e.seq for e in quarantined)}
    carried = ranges_of(sorted(seqs))
    beside = [e for e in entries if not _stands_alone(e) and e.seq in seqs]
    taken = streams.marks_of(connection, new)
    handover.give_entries(connection, [*quarantined, *beside], new.id)
    handover.stand_beside(connection, quarantined, new.id, held_numbers(taken))
    handover.give_by_number(connection, old.id, new.id, carried, goes=goes)
    _settle_marks(connection, old, new, carried, goes)
    return len(numbers)


def _put_beside(connection: sa.Connection, new: Stream, rows: list[dict[str, Any]], now_us: int) -> None:
    """
    Store moved readings; one that the new owner has already is a repeat, or goes into quarantine beside it.
    """
    hashes = {e.seq: e.content_hash for e in handover.entries_of(connection, new.id) if _stands_alone(e)}
    hashes |= readings.hashes(connection, new.id, ranges_of([row["seq"] for row in rows]))
    handover.put_rows(connection, new.id, [row for row in rows if row["seq"] not in hashes])
    doubt = Doubt("number_conflict", {"other_is": "new_owner"})
    numbered = new.is_numbered
    differing = [row for row in rows if hashes.get(row["seq"], row["content_hash"]) != row["content_hash"]]
    quarantine.put(
        connection,
        new.id,
        [
            NewQuarantineRow(
                row["seq"],
                row["content_hash"],
                True,
                (doubt,),
                json.dumps(as_sent(row, numbered=numbered)),
                None,
            )
            for row in differing
        ],
        now_us,
    )


def _settle_marks(connection: sa.Connection, old: Stream, new: Stream, carried: Ranges, goes: bool) -> None:
    """Set the marks so that every number has its state in both accounts."""
    before_old, before_new = streams.marks_of(connection, old), streams.marks_of(connection, new)
    after_old, after_new = marks_after(before_old, before_new, carried, goes=goes)
    told = GatewayReport(
        version=old.gateway_version,
        built=old.gateway_built,
        installation=old.installation,
        appended_through=old.appended_through if goes else None,
    )
    for stream, before, after, report, heard_us in (
        (new, before_new, after_new, told, old.last_heard_us),
        (old, before_old, after_old, None, old.last_heard_us),
    ):
        streams.save(connection, stream, before, after, report, duplicates=0, conflicts=0, now_us=heard_us)
    if goes:
        handover.close(connection, old.id)


def held_numbers(marks: Marks) -> Ranges:
    """Numbers that arrived, and are not only declared shed. Pure."""
    return subtract(marks.covered, tuple((s.first, s.last) for s in marks.shed))


def marks_after(old: Marks, new: Marks, carried: Ranges, *, goes: bool) -> tuple[Marks, Marks]:
    """
    The marks of the stream at the old and at the new owner, once `carried` went from one to the other. Pure.

    goes : the gateway continues at the new owner, so missing numbers are missing there, and not here.
    """
    shed_before = tuple((s.first, s.last) for s in old.shed)
    gone = union(carried, old.gaps) if goes else carried
    stays_shed = [Shed(a, b, s.reason) for s in old.shed for a, b in subtract([(s.first, s.last)], gone)]
    now_shed = [*stays_shed, *(Shed(a, b, TRANSFERRED) for a, b in subtract(gone, shed_before))]
    covered = union(old.covered, gone)
    leading = bool(covered) and covered[0][0] == 1
    after_old = dataclasses.replace(
        old,
        mark=covered[0][1] if leading else 0,
        islands=covered[1:] if leading else covered,
        shed=tuple(sorted(now_shed, key=lambda s: s.first)),
    )
    top = carried[-1][1] if carried else 0
    others = subtract(subtract(old.covered, shed_before), carried)
    if not goes:
        others = subtract(((1, top),) if top else (), carried)
    declared = [Shed(a, b, KEPT_ELSEWHERE) for a, b in others]
    after_new = advance(new, held=carried, shed=[*(s for s in old.shed if goes), *declared])
    return after_old, after_new


def _pieces(numbers: Ranges) -> Iterator[Ranges]:
    """The numbers in pieces of at most `READINGS_A_PIECE`."""
    piece: list[Range] = []
    room = READINGS_A_PIECE
    for first, last in numbers:
        while first <= last:
            end = min(last, first + room - 1)
            piece.append((first, end))
            room -= end - first + 1
            first = end + 1
            if not room:
                yield tuple(piece)
                piece, room = [], READINGS_A_PIECE
    if piece:
        yield tuple(piece)


def _within(at_us: int | None, spans: list[NumberSpan]) -> bool:
    """True if an instant is in one of the spans; an unknown one is in the open span alone."""
    if at_us is None:
        return (None, None) in spans
    return any(
        (from_us is None or at_us >= from_us) and (until_us is None or at_us < until_us)
        for from_us, until_us in spans
    )


def _stands_alone(entry: QuarantineRow) -> bool:
    """True if an entry is the only one of its number; else it moves with its number."""
    return not entry.beside and entry.state != quarantine.RELEASED


def _instant_of(entry: QuarantineRow) -> int | None:
    """When a quarantined reading was measured, as amended or as sent; None: unknown."""
    at = json.loads(entry.amended or entry.content).get("at")
    try:
        return parse_instant(at).us if isinstance(at, str) else None
    except ValueError:
        return None
