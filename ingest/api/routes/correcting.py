"""
Correcting when work on an element was done, or at which machine, by the id of its entry, on a phone too.

Promises: the entry keeps its id, who made it and its note; the audit log keeps what it said before, who
corrected it, when and why. What was read with it, and the part that it took, go with it. The analysis goes
by the corrected entry. A confirmation falls away: it was given against other readings.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from pydantic import Field

from cleanside.ingest.api.routes.element_changes import (
    change_differs,
    give_part_back,
    refuse_far_off,
    usual_part,
)
from cleanside.ingest.api.routes.gauge_readings import check_gauge
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.meter_readings import check_meter
from cleanside.ingest.api.routes.shared import Act, At, Because, Name, Strict, text, us
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.store import audit, element_changes, papers
from cleanside.ingest.store.element_changes import CORRECTED, EnteredChange
from cleanside.ingest.store.fleet import HousingRow


class CorrectedEntry(Strict):
    """What is right of an entry about an element; what is left out stays."""

    of: Name = Field(description="entry_id of the entry that is corrected")
    housing: Name = Field(DEFAULT_HOUSING, description="where it stands")
    changed_at: At | None = Field(None, description="when the work was done; left out: as it stands")
    to_machine: Name | None = Field(None, description="where it was done; left out: as it stands")
    to_housing: Name | None = Field(None, description="left out: as it stands; at another machine: main")
    because: Because = Field(min_length=1, max_length=400, description="why, for whoever reads it later")


def keep_correction(connection: sa.Connection, act: Act, body: CorrectedEntry) -> None:
    """Correct an entry; the audit log keeps what it was. Raises Refused, and then wrote nothing."""
    housing = find_housing(connection, act.key, act.machine, body.housing)
    changes = element_changes.changes_of(connection, housing.id)
    change = next((change for change in changes if change.entry_id == body.of), None)
    if change is None:
        about: dict[str, Any] = {"entry_id": body.of, "machine": act.machine}
        raise Refused("nothing_to_correct", status=404, code="unknown_element_change", **about)
    to = _place(connection, act, body, housing)
    changed_us = us(body.changed_at) or change.changed_us
    refuse_far_off(changed_us, act.now_us)
    if (to.id, changed_us) == (housing.id, change.changed_us):
        raise NotValid(Complaint("#/changed_at", "nothing_corrected", entry_id=body.of))
    part = change.part
    if part is not None and part == usual_part(connection, housing, change.what):
        part = usual_part(connection, to, change.what)
    right = change._replace(changed_us=changed_us, part=part, confirmed_because=None, confirmed_us=act.now_us)
    give_part_back(connection, act.key, housing, change, act.now_us)
    _move(connection, housing, to, change, right)
    audit.note(
        connection,
        act.key.owner_id,
        act.now_us,
        act.key.handle,
        CORRECTED,
        machine=housing.machine,
        housing=housing.name,
        entry_id=change.entry_id,
        work=change.what,
        changed_at=text(change.changed_us),
        to_machine=to.machine,
        to_housing=to.name,
        to_changed_at=text(changed_us),
        entered_at=text(change.entered_us),
        by=change.who,
        note=change.note,
        because=body.because,
    )


def _place(connection: sa.Connection, act: Act, body: CorrectedEntry, housing: HousingRow) -> HousingRow:
    """Where the work was done. Raises Refused (404) for what is unknown, or not seen by the key."""
    machine = body.to_machine or housing.machine
    stays = housing.name if machine == housing.machine else DEFAULT_HOUSING
    return find_housing(connection, act.key, machine, body.to_housing or stays)


def _move(
    connection: sa.Connection,
    housing: HousingRow,
    to: HousingRow,
    change: EnteredChange,
    right: EnteredChange,
) -> None:
    """The entry and what was read with it stand as corrected. Raises Refused (409, 422)."""
    meters = [m for m in papers.meters_of(connection, housing.machine_id) if m.entry_id == change.entry_id]
    gauges = [g for g in papers.gauges_of(connection, housing.id) if g.entry_id == change.entry_id]
    element_changes.take_change_back(connection, housing.id, change)
    papers.take_readings_back(connection, housing, change.entry_id)
    there = element_changes.put_change(connection, to.id, right)
    if there is not None:
        raise change_differs(there)
    for meter in meters:
        moved = meter._replace(at_us=right.changed_us)
        check_meter(connection, to.machine_id, moved, "#/changed_at", says_before=bool(meter.offset_h))
        papers.put_meter(connection, to.machine_id, moved)
    for gauge in gauges:
        shown = gauge._replace(at_us=right.changed_us)
        check_gauge(connection, to.id, shown, "#/changed_at")
        papers.put_gauge(connection, to.id, shown)
