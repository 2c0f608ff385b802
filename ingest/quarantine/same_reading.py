"""
One reading under two times: a spool was copied before its time was known, and each copy found one of its own.

The evidence for an entry in conflict, all of it: the copy declared that its file had this number when it was
copied; both contents are equal bit for bit except for the time; the two times meet within their stated
widths; and the second is stored under another number, as its gateway sent it again. So one was measured.
Promises: without the whole evidence nothing changes. The first reading stays; the second and its entry are
discarded, stay on record, and an undo brings both back.
Leaves to others: who may do it (`ingest.api.routes`), undoing (`ingest.quarantine.amend`).
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, Final

import sqlalchemy as sa

from cleanside.gateway import wire
from cleanside.gateway.units import counted
from cleanside.gateway.wire import Doubt, instant_text, parse_instant
from cleanside.ingest.checking import content
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.quarantine.amend import MAX_AT_ONCE, AmendmentOutcome, Who, begin
from cleanside.ingest.quarantine.withdrawing import withdraw
from cleanside.ingest.store import quarantine, readings, second_readings, streams
from cleanside.ingest.store.at_rest import StoredTime
from cleanside.ingest.store.attention import CopiedGroup
from cleanside.ingest.store.gateway_reports import EVENT
from cleanside.ingest.store.marks import ranges_of
from cleanside.ingest.store.models import devices, owners, report_tallies, reports
from cleanside.ingest.store.models import streams as stream_rows
from cleanside.ingest.store.quarantine import DISCARDED, SET_ASIDE, QuarantineRow

CONFLICT: Final = "number_conflict"
COPIED: Final = "spool_copied"
_IS_OWNER: Final = owners.c.id == devices.c.owner_id
#: stream id and number
Place = tuple[int, int]
Document = dict[str, Any]


def discard_second(
    connection: sa.Connection,
    who: Who,
    entries: Sequence[QuarantineRow],
    now_us: int,
    detail: str,
    *,
    reason: str,
    must_all_fit: bool,
) -> AmendmentOutcome:
    """
    Discard entries and the second readings that they are. Raises Refused (422) where the evidence lacks.

    must_all_fit : False: entries that do not fit are passed over.
    """
    places = second_places(connection, entries)
    fitting = [entry for entry in entries if entry.id in places]
    if must_all_fit and len(fitting) < len(entries):
        raise _refusal([entry for entry in entries if entry.id not in places], len(entries))
    doubt = Doubt(SET_ASIDE, {"by": who.handle, "reason": reason})
    seconds = taken_out(connection, who, set(places.values()), doubt, now_us)
    every = [*fitting, *seconds]
    amendment_id = begin(connection, who, "discard", now_us, detail, every)
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in every])
    quarantine.set_states(connection, [entry.id for entry in every], DISCARDED)
    return AmendmentOutcome(amendment_id=amendment_id, entries=len(fitting), stored=0, held=())


def _refusal(others: Sequence[QuarantineRow], given: int) -> Refused:
    return Refused(
        "not_one_reading",
        status=422,
        code="change_does_not_fit",
        errors=[Complaint(f"#/entries/{entry.id}", "not_the_same_reading") for entry in others[:64]],
        more_errors=max(0, len(others) - 64),
        not_fitting=len(others),
        entries=counted(given, "entry", "entries"),
    )


def taken_out(
    connection: sa.Connection, who: Who, places: Collection[Place], doubt: Doubt, now_us: int
) -> list[QuarantineRow]:
    """Put the readings at these places into quarantine. Returns their entries."""
    numbers: dict[int, list[int]] = defaultdict(list)
    for stream_id, seq in places:
        numbers[stream_id].append(seq)
    names = sa.select(stream_rows.c.stream, stream_rows.c.id).where(stream_rows.c.id.in_(list(numbers)))
    ids: list[int] = []
    for name, stream_id in connection.execute(names.order_by(stream_rows.c.stream)).all():
        stream = streams.find(connection, who.owner_id, name, lock=True)
        assert stream is not None
        taken = ranges_of(
            withdraw(connection, stream, dict.fromkeys(sorted(numbers[stream_id]), doubt), now_us)
        )
        rows = [row for found in quarantine.seen(connection, stream_id, taken).values() for row in found]
        ids += [row.id for row in rows if row.state == quarantine.HELD and not row.beside]
    return quarantine.by_ids(connection, who.owner_id, ids)


def groups(connection: sa.Connection, owner_id: int | None) -> Iterator[CopiedGroup]:
    """Readings that were sent twice, by device and stream; a person decides. owner_id : None: of all."""
    query = (
        sa.select(owners.c.id, owners.c.name, devices.c.name)
        .distinct()
        .select_from(report_tallies.join(stream_rows).join(devices).join(owners, _IS_OWNER))
    )
    query = query.where(report_tallies.c.name == COPIED).order_by(owners.c.name, devices.c.name)
    if owner_id is not None:
        query = query.where(devices.c.owner_id == owner_id)
    for owner, owner_name, device in connection.execute(query).all():
        by_stream: dict[str, list[QuarantineRow]] = defaultdict(list)
        for entry in sent_twice(connection, owner, device):
            by_stream[entry.stream].append(entry)
        for stream, entries in by_stream.items():
            yield CopiedGroup(
                owner=owner_name,
                device=device,
                stream=stream,
                through=max(entry.seq for entry in entries),
                readings=len(entries),
                oldest_us=min(entry.received_us for entry in entries),
            )


def sent_twice(connection: sa.Connection, owner_id: int, device: str) -> list[QuarantineRow]:
    """The entries of a device in conflict whose reading was sent twice."""
    wanted = quarantine.WantedRows(code=CONFLICT, device=device)
    entries = quarantine.list_of(connection, owner_id, wanted, limit=MAX_AT_ONCE)
    places = second_places(connection, entries) if entries else {}
    return [entry for entry in entries if entry.id in places]


# ---------------------------------------------------------------- the evidence


def second_places(connection: sa.Connection, entries: Sequence[QuarantineRow]) -> dict[int, Place]:
    """Entry -> where its reading is stored a second time; only those for which the evidence is whole."""
    places: dict[int, Place] = {}
    in_order = sorted(entries, key=lambda entry: (entry.device_id, entry.stream_id, entry.seq))
    for device_id, of_device in groupby(in_order, key=lambda entry: entry.device_id):
        through = copied_through(connection, device_id)
        for stream_id, group in groupby(of_device, key=lambda entry: entry.stream_id):
            conflicts = [entry for entry in group if _is_of_the_copied_file(entry, through)]
            same = list(_measured_once(connection, stream_id, conflicts)) if conflicts else []
            wanted = {entry.content_hash: at_us for entry, at_us in same}
            found = second_readings.with_content(connection, [device_id], wanted, without=stream_id)
            places |= {e.id: found[e.content_hash] for e, _ in same if e.content_hash in found}
    return places


def copied_through(connection: sa.Connection, device_id: int) -> dict[str, int]:
    """Stream -> its last number in a file when that was found to be a copy, as gateways declared it."""
    query = sa.select(reports.c.content).select_from(reports.join(stream_rows))
    query = query.where(stream_rows.c.device_id == device_id, reports.c.kind == EVENT)
    query = query.where(reports.c.name == COPIED)
    through: dict[str, int] = defaultdict(int)
    for text in connection.scalars(query):
        said = json.loads(text)
        if isinstance(before := said.get("before"), str) and type(last := said.get("through")) is int:
            through[before] = max(through[before], last)
    return through


def _is_of_the_copied_file(entry: QuarantineRow, through: Mapping[str, int]) -> bool:
    return entry.beside and entry.code == CONFLICT and entry.seq <= through.get(entry.stream, 0)


def _measured_once(
    connection: sa.Connection, stream_id: int, entries: Sequence[QuarantineRow]
) -> Iterator[tuple[QuarantineRow, int]]:
    """Entries that equal the stored reading of their number, and the time of each [us]."""
    numbers = ranges_of(sorted({entry.seq for entry in entries}))
    first_hashes = readings.hashes(connection, stream_id, numbers)
    near = (readings.times_near(connection, stream_id, *span, 1) for span in numbers)
    firsts = {time.seq: time for times in near for time in times}
    for entry in entries:
        first, second = firsts.get(entry.seq), time_of(entry)
        if first is None or second is None or entry.seq not in first_hashes or not do_meet(first, second):
            continue
        if hash_with_time(json.loads(entry.content), first, entry.device) == first_hashes[entry.seq]:
            yield entry, second.at_us


def time_of(entry: QuarantineRow) -> StoredTime | None:
    """The time of an entry as sent; None: it has none that can be read."""
    document: Document = json.loads(entry.content)
    try:
        return StoredTime(entry.seq, parse_instant(document["at"]).us, document.get("at_uncertainty_s"))
    except (KeyError, TypeError, ValueError):
        return None


def do_meet(one: StoredTime, other: StoredTime) -> bool:
    """True if two times meet within their widths. Pure."""
    if one.at_uncertainty_s is None or other.at_uncertainty_s is None:
        return False
    width_us = (one.at_uncertainty_s + other.at_uncertainty_s) * 1e6
    return bool(abs(one.at_us - other.at_us) <= width_us)


def hash_with_time(document: Document, time: StoredTime, device: str) -> int:
    """The content hash of a reading as if it had been sent with that time. Pure."""
    reading = {name: value for name, value in document.items() if name not in ("units", "seq")}
    reading |= {"at": instant_text(time.at_us), "at_uncertainty_s": time.at_uncertainty_s}
    envelope = {"device": device, "units": document.get("units", {}), "readings": [reading]}
    batch = wire.decode(json.dumps(envelope).encode())
    return int(content.content_hashes(batch, content.all_as_sent(batch))[0])
