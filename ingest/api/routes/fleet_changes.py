"""GET /v1/fleet/changes: what changed of the fleet since a midnight, from its stored readings and entries."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query, Request

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.analysis.back_then import SPAN_DAYS, back_then, midnight_us
from cleanside.ingest.analysis.ready_looks import Span
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.api.routes.described_changes import FleetChangesAnswer
from cleanside.ingest.api.routes.paper_shapes import ZoneName
from cleanside.ingest.api.routes.restriction import dates_of, views_of
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R, needs, router_of, text
from cleanside.ingest.restriction.verdict.look_then import LookThen
from cleanside.ingest.shop.fleet_changes import MOVED_DAYS, HousingChange, change_of
from cleanside.ingest.store import element_changes
from cleanside.ingest.store.element_changes import EnteredChange
from cleanside.ingest.store.keys import Key

router = router_of("restriction")

MOST_SPAN_DAYS = 92  # a quarter; chosen: what changed before is a matter of lives
MOST_MOVED_DAYS = 365  # chosen: a date that moved by a year says nothing any more


@router.get(
    "/v1/fleet/changes",
    summary="What changed of the fleet",
    description=(
        "Housings whose state changed since a midnight, whose likely date moved, whose element was changed, "
        "or of which a fault is new or settled; most urgent first. The past is worked out from the readings "
        "measured until then and the entries known by then, with what the fleet teaches now."
    ),
    response_model=FleetChangesAnswer,
)
def get_fleet_changes(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("fleet:read"))],
    days: Annotated[
        int, Query(ge=1, le=MOST_SPAN_DAYS, description="back from today's midnight")
    ] = SPAN_DAYS,
    moved_days: Annotated[
        int, Query(ge=1, le=MOST_MOVED_DAYS, description="a likely date that moved by less is no change")
    ] = MOVED_DAYS,
    zone: Annotated[ZoneName, Query(description="where days begin")] = "UTC",
) -> dict[str, Any]:
    """What changed of the housings that the key may see."""
    now_us, services = resources.clock(), services_of(request)
    then_us, working_out = midnight_us(now_us, days, zone), WorkingOut()
    services.looks.note(key.owner_id, Span(days, zone))
    views = views_of(request, resources, key, now_us, working_out)
    with resources.reading() as connection:
        snapshot = services.snapshots.of(connection, key.owner_id)
        horizon_days = float(resources.settings.planning_horizon_days)
        then = back_then(
            connection,
            services.memory,
            services.past,
            snapshot,
            [view.housing for view in views],
            then_us,
            horizon_days=horizon_days,
            working_out=working_out,
        )
    changes = []
    with resources.reading() as connection:
        for view in views:
            before = then[view.housing.id]
            change = change_of(before, view.assessment, then_us=then_us, moved_days=moved_days)
            if change.is_any:
                changes.append(_document(view, before, change, _awaited(connection, view, change)))
    return {
        "now": text(now_us),
        "since": text(then_us),
        "count": len(views),
        "changed": len(changes),
        "changes": changes,
    }


def _awaited(connection: sa.Connection, view: View, change: HousingChange) -> EnteredChange | None:
    """The entry that no reading confirms yet; None: there is none, or it was taken back meanwhile."""
    if change.awaited is None:
        return None
    entered = element_changes.changes_of(connection, view.housing.id)
    return next((one for one in entered if one.entry_id == change.awaited), None)


def _document(
    view: View, then: LookThen, change: HousingChange, awaited: EnteredChange | None
) -> dict[str, Any]:
    return {
        "machine": view.housing.machine,
        "display_name": view.housing.display_name,
        "housing": view.housing.name,
        "site": view.papers.machine.site,
        "state": change.state,
        "state_form": view.state_form,
        "state_then": change.state_then,
        "share_used_percent": view.assessment.study.share_used_percent,
        "limit_in_doubt": view.assessment.study.limit_in_doubt,
        "element_in_doubt": view.assessment.study.element_in_doubt,
        "share_used_percent_then": then.share_used_percent,
        "due_at": dates_of(view.assessment.due_s),
        "due_at_then": dates_of(then.due_s),
        "due_moved_days": change.due_moved_days,
        "changed_at": text(change.changed_us),
        "changed_confirmed": None if change.changed_us is None else change.awaited is None,
        "entered_by": None if awaited is None else awaited.who,
        "entered_by_name": None if awaited is None else awaited.by_name,
        "faults_new": list(change.faults_new),
        "faults_settled": list(change.faults_settled),
    }
