"""The day on which a person means to change an element."""

from __future__ import annotations

from typing import Annotated, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.api.routes.described_shop import PlannedAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.paper_shapes import Day, ZoneName, end_of_day_us, planned_document
from cleanside.ingest.api.routes.planned_day_asked import ask_of_day
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Because,
    Name,
    PathName,
    R,
    Strict,
    Words,
    needs,
    problems,
    router_of,
    text,
)
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.shop.planned import kept_after_us, state_of_plan
from cleanside.ingest.store import audit, papers
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import NO_PAPERS, PlannedChange

router = router_of("shop")

MOST_PLANNED_US = 730 * 86_400 * 1_000_000  # two years ahead; beyond that a year was mistyped (chosen)

Writer = Annotated[Key, Depends(needs("changes:write"))]


#: `seen` where no day was planned
NONE_PLANNED = "none"


class NewPlan(Strict):
    """The day on which a person means to change an element."""

    on: Day
    housing: Name = DEFAULT_HOUSING
    zone: ZoneName = Field("UTC", description="where that day begins and ends")
    note: Words | None = Field(
        None,
        max_length=400,
        description="left out: what stands beside the planned day stays, until its change is made; empty: it "
        "is taken away",
    )
    seen: Words | None = Field(
        None,
        max_length=40,
        description="planned_at of the plan that was seen, none: no day was planned; another by now: 409 "
        "`planned_since`. Left out: whatever is planned is replaced",
        examples=["2026-03-02T09:00:00Z"],
    )
    confirmed_because: Because = Field(
        "",
        max_length=400,
        description="why the day holds although it cannot, by the forecast, the calendar or its distance; "
        "send the day again with this",
    )


@router.post(
    "/v1/machines/{machine}/planned-change",
    summary="Plan a change for a day",
    response_model=PlannedAnswer,
    responses=problems(404, 409),
)
@example(
    {"on": "2026-03-04", "zone": "Europe/Vienna", "housing": "{housing}"},
    plain="on zone seen confirmed_because",
)
def post_planned_change(
    machine: PathName, body: NewPlan, request: Request, resources: R, key: Writer
) -> dict[str, Any]:
    """
    Say on which day an element is meant to be changed; the day before it is replaced.

    Where the day passes without a fall in restriction or an entry, the machine stands first in /v1/fleet. So
    it does where a change becomes known that was made before: planning the same day again then keeps it.
    A day on which the element is likely at its limit already, a day far ahead and one without work are
    refused with a question: correct the day, or say by `confirmed_because` why it is meant.
    """
    now_us = resources.clock()
    passes_us = end_of_day_us(body.on, ZoneInfo(body.zone))
    if passes_us <= now_us:
        raise NotValid(Complaint("#/on", "planned_day_over", on=body.on, now=text(now_us)))
    if passes_us > now_us + MOST_PLANNED_US:
        raise NotValid(Complaint("#/on", "planned_day_beyond", on=body.on, now=text(now_us)))
    with resources.reading() as connection:
        housing = find_housing(connection, key, machine, body.housing)
        view: View = services_of(request).judge(connection, key).view(housing)
        planned = view.papers.planned
        is_same = planned is not None and planned.planned_on == body.on  # asked about as it was planned
        if not (body.confirmed_because or is_same):
            ask_of_day(connection, key.owner_id, view, body.on, body.zone)
    kept_us = kept_after_us(planned, body.on, view.assessment.study, now_us)
    note = body.note
    if note is None:
        is_done = state_of_plan(planned, view.assessment.study, now_us) == "done"
        note = "" if planned is None or is_done else planned.note
    new = PlannedChange(body.on, passes_us, now_us, key.handle, note, kept_us)

    def save(connection: sa.Connection) -> HousingRow:
        housing = find_housing(connection, key, machine, body.housing)
        refuse_unseen_plan(connection, housing, body.seen)
        papers.put_planned(connection, housing.id, new)
        about = {"machine": machine, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "planned_change", **about)
        return housing

    return _planned_answer(request, resources, key, resources.writer.call(save))


@router.delete(
    "/v1/machines/{machine}/planned-change",
    summary="Take a planned change back",
    response_model=PlannedAnswer,
    responses=problems(404, 409),
)
@example(query={"housing": "{housing}"}, plain="seen")
def delete_planned_change(
    machine: PathName,
    request: Request,
    resources: R,
    key: Writer,
    housing: Name = DEFAULT_HOUSING,
    seen: Annotated[str | None, Query(max_length=40, description="as of a new plan")] = None,
) -> dict[str, Any]:
    """No day is meant any more. Where none was, nothing changes."""

    def save(connection: sa.Connection) -> HousingRow:
        found = find_housing(connection, key, machine, housing)
        refuse_unseen_plan(connection, found, seen)
        papers.take_planned_back(connection, found.id)
        about = {"machine": machine, "housing": housing}
        now_us = resources.clock()
        audit.note(connection, key.owner_id, now_us, key.handle, "planned_change_taken_back", **about)
        return found

    return _planned_answer(request, resources, key, resources.writer.call(save))


def planned_of(connection: sa.Connection, housing: HousingRow) -> PlannedChange | None:
    """The planned change of a housing; None: none is planned."""
    known = papers.papers_where(connection, "housings.id = ?", (housing.id,))
    return known.get(housing.id, NO_PAPERS).planned


def refuse_unseen_plan(connection: sa.Connection, housing: HousingRow, seen: str | None) -> None:
    """A plan that was made since is not overwritten. Raises Refused (409) with what is planned."""
    if seen is None:
        return
    planned = planned_of(connection, housing)
    if seen == (NONE_PLANNED if planned is None else text(planned.planned_us)):
        return
    if planned is None:
        raise Refused("plan_taken_back_since", status=409, code="planned_since", machine=housing.machine)
    about: dict[str, Any] = {"on": planned.planned_on, "by": planned.who, "note": planned.note}
    raise Refused("planned_since", status=409, machine=housing.machine, **about)


def _planned_answer(request: Request, resources: R, key: Key, housing: HousingRow) -> dict[str, Any]:
    with resources.reading() as connection:
        judge: Judge = services_of(request).judge(connection, key)
        seen: View = judge.view(housing)
    return {"machine": housing.machine, "housing": housing.name, "planned": planned_document(seen)}
