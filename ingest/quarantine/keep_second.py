"""
The second of two readings under one number takes the place of the first, because a person says so.

Promises: it is an amendment of the first, like `replace`: the first stays on record as it was sent, with the
second as its amended content, and the number and identity of receipt stay. The second passes the checks of
receipt, else the first stays. An undo stores the first again and quarantines the second.
Leaves to others: who may do it (`ingest.api.routes`), undoing it (`ingest.quarantine.amend`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Literal

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import Doubt
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.quarantine import replay
from cleanside.ingest.quarantine.amend import SECOND_KEPT, AmendmentOutcome, Who, begin, sample_of
from cleanside.ingest.quarantine.same_reading import Place, taken_out
from cleanside.ingest.quarantine.withdrawing import as_sent
from cleanside.ingest.store import quarantine, readings, reasons
from cleanside.ingest.store.marks import ranges_of
from cleanside.ingest.store.quarantine import HELD, RELEASED, SET_ASIDE, QuarantineRow

OtherIs = Literal["stored", "held", "released", "discarded"]


def keep_second(
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
    Store second readings in place of the first. Raises Refused (422) where an entry is not the only second.

    must_all_fit : False: entries whose first reading is not stored are passed over.
    """
    doubt = Doubt(SET_ASIDE, {"by": who.handle, "reason": reason})
    single = _only_seconds(entries)
    aside = taken_out(connection, who, {_place(entry) for entry in single}, doubt, now_us)
    firsts = {_place(entry): entry for entry in aside}
    seconds = [entry for entry in single if _place(entry) in firsts]
    if must_all_fit and len(seconds) < len(entries):
        fitting = {entry.id for entry in seconds}
        raise _refusal([entry for entry in entries if entry.id not in fitting], len(entries))
    amendment_id = begin(connection, who, SECOND_KEPT, now_us, detail, [*aside, *seconds])
    pairs = [(firsts[_place(entry)], entry) for entry in seconds]
    contents = [(first.id, second.amended or second.content) for first, second in pairs]
    quarantine.amend(connection, amendment_id, [*contents, *((e.id, e.amended) for e in seconds)])
    replay.reconsider(connection, _again(connection, who, aside), now_us)
    doubted = {e.id: e for e in _again(connection, who, aside) if e.state == HELD}
    quarantine.set_states(connection, [b.id for a, b in pairs if a.id not in doubted], RELEASED)
    _put_back(connection, who, amendment_id, [a for a, _ in pairs if a.id in doubted], now_us)
    return AmendmentOutcome(
        amendment_id=amendment_id,
        entries=len(seconds),
        stored=len(seconds) - len(doubted),
        held=tuple((b.id, *_why(doubted[a.id])) for a, b in pairs if a.id in doubted),
        sample=sample_of([first for first, _ in pairs], [content for _, content in contents]),
    )


def _only_seconds(entries: Sequence[QuarantineRow]) -> list[QuarantineRow]:
    """The entries that are the only readable second reading of their number."""
    many = Counter(_place(entry) for entry in entries)
    return [e for e in entries if e.beside and many[_place(e)] == 1 and "opaque" not in json.loads(e.content)]


def _place(entry: QuarantineRow) -> Place:
    return entry.stream_id, entry.seq


def _again(connection: sa.Connection, who: Who, entries: Sequence[QuarantineRow]) -> list[QuarantineRow]:
    return quarantine.by_ids(connection, who.owner_id, [entry.id for entry in entries])


def _why(entry: QuarantineRow) -> tuple[str, str]:
    return entry.code, reasons.read(entry.reasons)[0].detail


def _put_back(
    connection: sa.Connection, who: Who, amendment_id: int, firsts: Sequence[QuarantineRow], now_us: int
) -> None:
    """Store first readings again, whose second one is not believed."""
    quarantine.amend(connection, amendment_id, [(entry.id, entry.amended) for entry in firsts])
    replay.reconsider(connection, _again(connection, who, firsts), now_us)


def _refusal(others: Sequence[QuarantineRow], given: int) -> Refused:
    return Refused(
        "no_first_stored",
        status=422,
        code="change_does_not_fit",
        errors=[Complaint(f"#/entries/{entry.id}", "not_the_only_second") for entry in others[:64]],
        more_errors=max(0, len(others) - 64),
        not_fitting=len(others),
        entries=counted(given, "entry", "entries"),
    )


# ---------------------------------------------------------------- the first reading, to be looked at


@dataclass(frozen=True, slots=True)
class FirstReading:
    """The reading that has the number of another one."""

    #: where it is: stored, or the state of its entry in quarantine
    is_: OtherIs
    #: as it is stored, in the units that it was sent in; None: it is in the archive
    content: Mapping[str, Any] | None


def first_readings(
    connection: sa.Connection, owner_id: int, entries: Sequence[QuarantineRow]
) -> dict[int, FirstReading]:
    """Entry -> the first reading of its number, for entries that have one beside them."""
    beside = sorted((entry for entry in entries if entry.beside), key=_place)
    found: dict[int, FirstReading] = {}
    for stream_id, group in groupby(beside, key=lambda entry: entry.stream_id):
        of_stream = list(group)
        firsts = _of_stream(connection, owner_id, stream_id, [entry.seq for entry in of_stream])
        found |= {entry.id: firsts[entry.seq] for entry in of_stream if entry.seq in firsts}
    return found


def _of_stream(
    connection: sa.Connection, owner_id: int, stream_id: int, numbers: Sequence[int]
) -> dict[int, FirstReading]:
    ranges = ranges_of(sorted(set(numbers)))
    rows = quarantine.seen(connection, stream_id, ranges)
    ids = [row.id for of_number in rows.values() for row in of_number if not row.beside]
    aside = quarantine.by_ids(connection, owner_id, ids)
    found = {e.seq: FirstReading(e.state, json.loads(e.amended or e.content)) for e in aside}  # type: ignore[arg-type]
    found |= {seq: FirstReading("stored", None) for seq in readings.hashes(connection, stream_id, ranges)}
    rows_there = readings.among(connection, stream_id, ranges)
    return found | {row["seq"]: FirstReading("stored", as_sent(row, numbered=True)) for row in rows_there}
