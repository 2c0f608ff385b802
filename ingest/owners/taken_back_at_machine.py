"""
An entry that is taken back where it was made: at the machine, by the code on its label.

Promises: a record of its own, which undoes the entry that it names as the shop's own page does, once. What a
person at the shop entered or confirmed since stands: a code alone undoes no person's word, and the answer
about that entry says who asked. One that comes before the entry it names counts as soon as that comes.
Leaves to others: their order and that each is taken once (`ingest.owners.device_entries`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, is_name
from cleanside.ingest.store import audit, device_entries, element_changes, fleet
from cleanside.ingest.store.device_entries import (
    GONE,
    NO_ENTRY,
    NOT_VALID,
    SAME,
    STANDS,
    TAKEN,
    TAKEN_BACK,
    DeviceEntry,
)
from cleanside.ingest.store.element_changes import TAKEN_BACK_AT_MACHINE, EnteredChange
from cleanside.ingest.store.fleet import Assignment, DeviceRow

TAKES_BACK: Final = "takes_back"  # `what` of such an entry; `of`: the id of the one that it takes back
_MOST_EARLY: Final = 1_000  # as many as a gateway lets wait


class AskedBack(NamedTuple):
    """Somebody at the machine wanted an entry back that stands."""

    by_name: str
    at_us: int
    note: str


def names_entry(content: dict[str, Any]) -> bool:
    """It says which entry."""
    of = content.get("of")
    return isinstance(of, str) and is_name(of)


def take_back(connection: sa.Connection, who: str, device: DeviceRow, entry: DeviceEntry, now_us: int) -> str:
    """Undo what an entry names, in the caller's transaction. Returns what became of the taking back."""
    named = device_entries.find(connection, device.id, json.loads(entry.content)["of"])
    if named is None:
        return NO_ENTRY
    if json.loads(named.content).get("what") == TAKES_BACK:
        return NOT_VALID
    if named.outcome == SAME:
        return STANDS
    if named.outcome == TAKEN:
        outcome = _undo(connection, who, device, entry, now_us)
        if outcome != TAKEN:
            return outcome
    elif named.outcome == TAKEN_BACK:
        return GONE
    device_entries.keep(connection, device.id, named._replace(outcome=TAKEN_BACK))  # never carried out later
    return TAKEN


def came_before(connection: sa.Connection, device: DeviceRow, entry_id: str) -> DeviceEntry | None:
    """The taking back of an entry that came before the entry itself; None: there is none."""
    early = device_entries.entries_of(connection, device.id, outcome=NO_ENTRY, limit=_MOST_EARLY)
    return next((given for _, given in early if json.loads(given.content).get("of") == entry_id), None)


def asked_back_of(connection: sa.Connection, housing_id: int) -> dict[str, AskedBack]:
    """Entry of a housing -> who at the machine wanted it back last, while it stands."""
    devices = {seat.device_id for seat in fleet.assignments_of_housing(connection, housing_id)}
    found = {}
    for entry in device_entries.entries_with(connection, devices, STANDS):
        content = json.loads(entry.content)
        found[content["of"]] = AskedBack(content["by"], entry.at_us, content.get("note", ""))
    return found


def _undo(connection: sa.Connection, who: str, device: DeviceRow, entry: DeviceEntry, now_us: int) -> str:
    content = json.loads(entry.content)
    seats = fleet.assignments_of_device(connection, device.id)
    there = _entered(connection, seats, content["of"])
    if there is None:
        return GONE
    seat, change = there
    if change.at_device != device.name or change.confirmed_because is not None:
        return STANDS
    element_changes.take_change_back(connection, seat.housing_id, change)
    audit.note(
        connection,
        device.owner_id,
        now_us,
        who,
        TAKEN_BACK_AT_MACHINE,
        machine=seat.machine,
        housing=seat.housing,
        entry_id=change.entry_id,
        changed_at=instant_text(change.changed_us),
        work=change.what,
        entered_at=instant_text(change.entered_us),
        by=change.by_name or change.who,
        note=change.note,
        at_device=device.name,
        taken_back_by=content["by"],
        because=content.get("note", ""),
    )
    return TAKEN


def _entered(
    connection: sa.Connection, seats: Iterable[Assignment], entry_id: str
) -> tuple[Assignment, EnteredChange] | None:
    """The change that an entry became, and where; its seat may have been corrected since."""
    for seat in seats:
        for change in element_changes.changes_of(connection, seat.housing_id):
            if change.entry_id == entry_id:
                return seat, change
    return None
