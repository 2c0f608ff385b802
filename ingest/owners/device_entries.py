"""
What becomes of entries that people made at a machine, by the code on the gateway's label.

Promises: each is carried out once, by its id, in the order of its stream; one that cannot be is kept with the
reason and blocks none behind it; one whose device sat nowhere then waits, and is tried again. What is carried
out changes no figure until a person or the readings confirm it. One transaction, of the caller.
Leaves to others: who may send them (`ingest.api.routes.device_entries`), what the readings say
(`ingest.restriction.elements.entries`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, Final

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.owners.taken_back_at_machine import TAKES_BACK, came_before, names_entry, take_back
from cleanside.ingest.store import audit, device_entries, element_changes, fleet
from cleanside.ingest.store.device_entries import (
    DIFFERS,
    NOT_VALID,
    SAME,
    TAKEN,
    UNKNOWN,
    WAITS,
    DeviceEntry,
)
from cleanside.ingest.store.element_changes import EnteredChange
from cleanside.ingest.store.fleet import Assignment, DeviceRow

#: what may be entered at a machine: a denial of a change that was found belongs to who sees what was found
WORK: Final = ("new", "cleaned", "inspected", "safety_element")
MOST_AHEAD_US: Final = 3_600_000_000  # chosen, as for a change that is entered at the shop
MOST_BACK_US: Final = 10 * 365 * 86_400_000_000  # the same
_MOST_AGAIN: Final = 1_000  # as many as a gateway lets wait
BY_CODE: Final = "by code"  # who, where no key is at hand: the label's code was enough


def take(
    connection: sa.Connection,
    who: str,
    device: DeviceRow,
    stream: str,
    kept_from: int,
    entries: Iterable[DeviceEntry],
    now_us: int,
) -> int:
    """
    Take the next entries of a stream. Returns how far it is stored.

    who : handle of the key that brought them. kept_from : the lowest number that the gateway still has.
    entries : in order; what follows a gap is left.
    """
    mark = max(device_entries.entry_mark(connection, device.id, stream), kept_from - 1)
    _carry_out_known_now(connection, who, device, now_us)
    for entry in entries:
        if entry.seq > mark + 1:
            break  # the answer says how far it is stored; the gateway sends from there
        mark = max(mark, entry.seq)
        if device_entries.find(connection, device.id, entry.entry_id) is None:
            _carry_out(connection, who, device, entry, now_us)
    device_entries.set_mark(connection, device.id, stream, mark)
    return mark


def carry_out_waiting(connection: sa.Connection, device: DeviceRow, now_us: int) -> None:
    """A device has a seat now: entries that waited for one are tried again."""
    for _, entry in device_entries.entries_of(connection, device.id, outcome=WAITS, limit=_MOST_AGAIN):
        _carry_out(connection, BY_CODE, device, entry, now_us)


def _carry_out_known_now(connection: sa.Connection, who: str, device: DeviceRow, now_us: int) -> None:
    """What an earlier release did not know is tried again; it called a taking back not valid."""
    for outcome in (UNKNOWN, NOT_VALID):
        for _, entry in device_entries.entries_of(connection, device.id, outcome=outcome, limit=_MOST_AGAIN):
            content = json.loads(entry.content)
            if content.get("what") == TAKES_BACK or (outcome == UNKNOWN and content.get("what") in WORK):
                _carry_out(connection, who, device, entry, now_us)


def _carry_out(
    connection: sa.Connection, who: str, device: DeviceRow, entry: DeviceEntry, now_us: int
) -> None:
    outcome = _outcome(connection, who, device, entry, now_us)
    device_entries.keep(connection, device.id, entry._replace(outcome=outcome))
    early = came_before(connection, device, entry.entry_id)
    if early is not None:
        _carry_out(connection, who, device, early, now_us)


def _outcome(connection: sa.Connection, who: str, device: DeviceRow, entry: DeviceEntry, now_us: int) -> str:
    content = json.loads(entry.content)
    if isinstance(content.get("what"), str) and content["what"] not in (*WORK, TAKES_BACK):
        return UNKNOWN
    if not _is_valid(content) or not now_us - MOST_BACK_US <= entry.at_us <= now_us + MOST_AHEAD_US:
        return NOT_VALID
    if content["what"] == TAKES_BACK:
        return take_back(connection, who, device, entry, now_us)
    seat = seat_at(fleet.assignments_of_device(connection, device.id), entry.at_us)
    if seat is None:
        return WAITS
    change = EnteredChange(
        changed_us=entry.at_us,
        entered_us=now_us,
        who=who,
        note=content.get("note", ""),
        entry_id=entry.entry_id,
        what=content["what"],
        at_device=device.name,
        by_name=content["by"],
    )
    before = element_changes.put_change(connection, seat.housing_id, change)
    if before is not None:
        return SAME if before.what == change.what else DIFFERS
    body = {"entry_id": entry.entry_id, "changed_at": instant_text(entry.at_us), **content}
    about = {"machine": seat.machine, "body": {"housing": seat.housing, "at_device": device.name, **body}}
    audit.note(connection, device.owner_id, now_us, who, "element_change", **about)
    return TAKEN


def seat_at(seats: Iterable[Assignment], at_us: int) -> Assignment | None:
    """Where a device sat at an instant, None: nowhere. Pure."""
    return next(
        (
            seat
            for seat in seats
            if (seat.from_us is None or seat.from_us <= at_us)
            and (seat.until_us is None or at_us < seat.until_us)
        ),
        None,
    )


def _is_valid(content: dict[str, Any]) -> bool:
    """It says what, and by whom, in texts that can be printed and stored."""
    what, by, note = content.get("what"), content.get("by"), content.get("note", "")
    return (
        (names_entry(content) if what == TAKES_BACK else what in WORK)
        and isinstance(by, str)
        and isinstance(note, str)
        and 0 < len(by) <= 64
        and len(note) <= 400
        and by.isprintable()
        and note.isprintable()
    )
