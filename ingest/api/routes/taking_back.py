"""
Taking back an entry that a person made by mistake, by its id, on a phone without a link too.

Promises: what stood before an entry stands again. A limit that was changed since is left as it is (409).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping

import sqlalchemy as sa
from pydantic import Field

from cleanside.ingest.api.routes.element_changes import take_change_back
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.shared import Act, Name, Strict, note_act
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.access import require
from cleanside.ingest.store import (
    acceptance,
    element_changes,
    entries,
    fleet,
    limit_changes,
    papers,
    plate_photos,
)
from cleanside.ingest.store.fleet import HousingRow


class TakenBack(Strict):
    """An entry that is taken back, of any kind but another taking back."""

    of: Name = Field(description="entry_id of the entry that is taken back")
    housing: Name = DEFAULT_HOUSING


def keep_taken_back(connection: sa.Connection, act: Act, body: TakenBack) -> None:
    """Take an entry back; the audit log keeps it. Raises Refused (404), and then wrote nothing."""
    housing = find_housing(connection, act.key, act.machine, body.housing)
    changes = element_changes.changes_of(connection, housing.id)
    change = next((change for change in changes if change.entry_id == body.of), None)
    if change is not None:
        take_change_back(connection, act, housing, change)
    elif papers.take_readings_back(connection, housing, body.of):
        note_act(connection, act, "reading_taken_back", body)
    elif _take_visit_back(connection, act, housing, body.of):
        note_act(connection, act, "visit_entry_taken_back", body)
    else:
        raise Refused("nothing_to_take_back", status=404, entry_id=body.of, machine=act.machine)


def _take_visit_back(connection: sa.Connection, act: Act, housing: HousingRow, entry_id: str) -> bool:
    """Take back what was entered for an acceptance. False: there is no such entry, or it is gone."""
    entry = entries.find(connection, act.key.owner_id, entry_id)
    if entry is None or entry.kind not in OF_VISITS or entry.machine != act.machine:
        return False
    if json.loads(entry.content or "{}").get("housing", DEFAULT_HOUSING) != housing.name:
        return False
    require(act.key, "terminals:write")
    return OF_VISITS[entry.kind](connection, housing.id, entry.made_us, entry.who)


def _take_limit_back(connection: sa.Connection, housing_id: int, at_us: int, who: str) -> bool:
    """Set the limit that stood before. Raises Refused (409) where another one was entered since."""
    change = limit_changes.find(connection, housing_id, at_us=at_us, who=who)
    if change is None:
        return False
    known = {limit.valid_from_us: limit for limit in fleet.terminals_of(connection, housing_id)}
    there = known.get(change.valid_from_us)
    if there is None or (there.value, there.unit) != (change.value, change.unit):
        raise Refused("limit_changed_since", status=409)
    if change.before is None:
        fleet.delete_terminal(connection, housing_id, change.valid_from_us)
    else:
        fleet.put_terminal(connection, housing_id, change.before)
    limit_changes.forget(connection, change.id)
    return True


#: kind of entry -> takes it back: (connection, housing, when it was made [us], by whom)
OF_VISITS: Mapping[str, Callable[[sa.Connection, int, int, str], bool]] = {
    "terminal_restriction": _take_limit_back,
    "second_reading": acceptance.take_confirmation_back,
    "hand_comparison": acceptance.take_comparison_back,
    "plate_photo": plate_photos.take_back,
}
