"""Taking back an entry that a person made by mistake, by its id, on a phone without a link too."""

from __future__ import annotations

import sqlalchemy as sa
from pydantic import Field

from cleanside.ingest.api.routes.element_changes import take_change_back
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.shared import Act, Name, Strict, note_act
from cleanside.ingest.errors import Refused
from cleanside.ingest.store import element_changes, papers


class TakenBack(Strict):
    """An entry that is taken back: work on an element, or what was read of hour meter or gauge."""

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
    else:
        raise Refused("nothing_to_take_back", status=404, entry_id=body.of, machine=act.machine)
