"""
What changed of the fleet since a midnight: states, likely dates, elements, faults.

Its JSON twin is `GET /v1/fleet/changes` with the same span.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.analysis.back_then import SPAN_DAYS
from cleanside.ingest.api.routes.fleet_changes import (
    MOST_MOVED_DAYS,
    MOST_SPAN_DAYS,
    get_fleet_changes,
)
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.console.field_faults import VALUE_SHOWN, FieldFault
from cleanside.ingest.console.fleet_page import machine_address
from cleanside.ingest.console.rendering import render, sayer_of
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.shop.fleet_changes import MOVED_DAYS
from cleanside.ingest.store.keys import Key

router = page_router()

#: field of the form -> the greatest number that it takes; the least is 1 [d]
MOST = {"days": MOST_SPAN_DAYS, "moved_days": MOST_MOVED_DAYS}
_DIGITS = re.compile(r"[0-9]{1,4}")


@router.get("/fleet-changes")
def get_fleet_changes_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("fleet:read"))],
    days: Annotated[str, Query()] = str(SPAN_DAYS),
    moved_days: Annotated[str, Query()] = str(MOVED_DAYS),
) -> Response:
    """
    The changes, most urgent first; what was typed and cannot be is said at the form, which keeps it.

    days, moved_days : as the route takes them.
    """
    given = {"days": days.strip(), "moved_days": moved_days.strip()}
    spans = {name: _span(written, MOST[name]) for name, written in given.items()}
    faults = [
        FieldFault(name, "not_in_span" if given[name] else "missing", _span_said(given[name], MOST[name]))
        for name, span in spans.items()
        if span is None
    ]
    zone, say = viewer_of(request, key).zone.key, sayer_of(request, key)
    known, name_of = None, WhoNames(resources.reading, key, say)
    if spans["days"] is not None and spans["moved_days"] is not None:
        known = get_fleet_changes(request, resources, key, spans["days"], spans["moved_days"], zone)
    return render(
        request,
        "fleet_changes.html",
        key=key,
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        known=known,
        faults=faults,
        given=given,
        most=MOST,
        address_of=machine_address,
        said=lambda change: list(_said(say, change, name_of)),
    )


def _span(written: str, most: int) -> int | None:
    """A number of days as typed, 1 to most; None: it is none."""
    days = int(written) if _DIGITS.fullmatch(written) else 0
    return days if 1 <= days <= most else None


def _span_said(written: str, most: int) -> dict[str, str | int]:
    return {"given": written[:VALUE_SHOWN], "least": 1, "most": most}


def _said(say: Sayer, change: Mapping[str, Any], name_of: Callable[[str], str]) -> Iterator[str]:
    """
    What changed, in sentences: the state, what to look at first, the element, its date.

    name_of : what people call who made an entry.
    """
    if change["state"] != change["state_then"]:
        yield say("fleet_changes.before", state=say.plain(f"state.{change['state_then']}"))
    yield from (say(f"work.cause.{cause}") for cause in change["faults_new"])
    for cause in change["faults_settled"]:
        yield say("fleet_changes.settled", cause=say.plain(f"work.cause.{cause}"))
    if change["entered_by"] is not None:
        who = change["entered_by_name"] or name_of(change["entered_by"])
        yield say("fleet_changes.entered", at=change["changed_at"], who=who)
    elif change["changed_at"] is not None:
        yield say("fleet_changes.element", at=change["changed_at"])
    moved = change["due_moved_days"]
    if moved is not None:
        values = {"was": change["due_at_then"]["p50"], "now": change["due_at"]["p50"]}
        yield say(f"fleet_changes.{'earlier' if moved < 0 else 'later'}", days=round(abs(moved)), **values)
