"""
What changed of the fleet since a midnight: states, likely dates, elements, faults.

Its JSON twin is `GET /v1/fleet/changes` with the same span.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.fleet_changes import MOST_SPAN_DAYS, SPAN_DAYS, get_fleet_changes
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.console.fleet_page import machine_address
from cleanside.ingest.console.rendering import render, sayer_of
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.shop.fleet_changes import MOVED_DAYS
from cleanside.ingest.store.keys import Key

router = page_router()


@router.get("/fleet-changes")
def get_fleet_changes_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("fleet:read"))],
    days: Annotated[int, Query(ge=1, le=MOST_SPAN_DAYS)] = SPAN_DAYS,
    moved_days: Annotated[int, Query(ge=1, le=365)] = MOVED_DAYS,
) -> Response:
    """The changes, most urgent first. days, moved_days : as the route takes them."""
    zone = viewer_of(request, key).zone.key
    known = get_fleet_changes(request, resources, key, days, moved_days, zone)
    say = sayer_of(request, key)
    return render(
        request,
        "fleet_changes.html",
        key=key,
        known=known,
        days=days,
        moved_days=moved_days,
        most_days=MOST_SPAN_DAYS,
        address_of=machine_address,
        said=lambda change: list(_said(say, change)),
    )


def _said(say: Sayer, change: Mapping[str, Any]) -> Iterator[str]:
    """What changed, in sentences: the state, what to look at first, the element, its date."""
    if change["state"] != change["state_then"]:
        yield say("fleet_changes.before", state=say.plain(f"state.{change['state_then']}"))
    yield from (say(f"work.cause.{cause}") for cause in change["faults_new"])
    for cause in change["faults_settled"]:
        yield say("fleet_changes.settled", cause=say.plain(f"work.cause.{cause}"))
    if change["changed_at"] is not None:
        yield say("fleet_changes.element", at=change["changed_at"])
    moved = change["due_moved_days"]
    if moved is not None:
        values = {"was": change["due_at_then"]["p50"], "now": change["due_at"]["p50"]}
        yield say(f"fleet_changes.{'earlier' if moved < 0 else 'later'}", days=round(abs(moved)), **values)
