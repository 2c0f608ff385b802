"""GET /v1/audit: who did what, when; and which keys were refused what, counted by hour."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.described_codes import AuditAnswer, RefusalsAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.shared import At, Name, R, needs, router_of, shown, span_of, text
from cleanside.ingest.store import audit, fleet, refusals
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("audit")


@router.get(
    "/v1/audit",
    summary="Who did what",
    responses=shown(AuditAnswer, tagged=True),
    response_class=Response,
)
@example(query={"machine": "{machine}"})
def get_audit(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("audit:read"))],
    page: P,
    who: Annotated[Name | None, Query(description="name of a person, handle of a key, or command")] = None,
    what: Annotated[Name | None, Query(description="one kind of act alone")] = None,
    machine: Annotated[
        Name | None, Query(description="what was done to a machine, or to a monitor that sits or sat there")
    ] = None,
    since: Annotated[At | None, Query(description="done from this instant on")] = None,
    until: Annotated[At | None, Query(description="done before this instant")] = None,
) -> Response:
    """The audit log of this owner, newest first. It cannot be changed, and no line can be deleted."""
    span_us = span_of(("since", since), ("until", until))
    kept, cursor = list_audit(resources, key, page, who=who, what=what, machine=machine, span_us=span_us)
    return page_answer(request, "entries", kept, cursor)


def list_audit(
    resources: Resources,
    key: Key,
    page: Page,
    *,
    who: str | None,
    what: str | None,
    machine: str | None = None,
    span_us: tuple[int | None, int | None] = (None, None),
) -> tuple[list[dict[str, Any]], str | None]:
    """One page of the audit log, and the cursor of the next. who, what, machine : None: any."""
    after = page.after(int)
    with resources.reading() as connection:
        rows = audit.entries_of(
            connection,
            key.owner_id,
            who=who,
            what=what,
            before_id=None if after is None else after[0],
            limit=page.limit + 1,
            named=[] if machine is None else _names_of(connection, key.owner_id, machine),
            span_us=span_us,
        )
    kept, cursor = page.cut(rows, lambda e: (e.id,))
    return [_document(entry) for entry in kept], cursor


def _names_of(connection: sa.Connection, owner_id: int, machine: str) -> list[tuple[str, str]]:
    """What a line about a machine names: it, or a monitor that sits or sat there."""
    housings = [h for h in fleet.every_housing(connection, owner_id) if h.machine == machine]
    seats = [s for h in housings for s in fleet.assignments_of_housing(connection, h.id)]
    return [("machine", machine), *(("device", name) for name in sorted({seat.device for seat in seats}))]


def _document(entry: audit.AuditRow) -> dict[str, Any]:
    shown = {"entry": entry.id, "at": text(entry.at_us), "who": entry.who, "what": entry.what}
    return shown | {"detail": entry.detail, "values": entry.values}


@router.get(
    "/v1/audit/refusals",
    summary="Which keys were refused what",
    responses=shown(RefusalsAnswer, tagged=True),
    response_class=Response,
)
def get_audit_refusals(
    request: Request, resources: R, key: Annotated[Key, Depends(needs("audit:read"))], page: P
) -> Response:
    """
    Requests with this owner's keys that were refused for lack of authorisation, by hour, newest first.

    Ended keys are among them. The operator of the server sees the counts without a key. Counts are
    written down every few seconds and kept for 90 days; beyond 64 an hour the rest counts as "others".
    """
    with resources.reading() as connection:
        after = page.after(int, str, str)
        rows = refusals.list_of(connection, key.owner_id, after=after, limit=page.limit + 1)
    kept, cursor = page.cut(rows, lambda r: (r.hour, r.reason, r.who))
    return page_answer(request, "refusals", [refusal_document(r) for r in kept], cursor)


def refusal_document(found: refusals.Refusal) -> dict[str, Any]:
    """A count for an answer."""
    return {
        "hour": text(found.hour * refusals.HOUR_US),
        "reason": found.reason,
        "who": found.who,
        "times": found.times,
        "first_at": text(found.first_us),
        "last_at": text(found.last_us),
    }
