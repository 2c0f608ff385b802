"""How loaded each element is, when it will be due, and what that rests on."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Depends, Query, Request

from ingest import assessment
from ingest.assessment import View
from ingest.restriction import Quantiles
from ingest.routes.described import FleetAnswer, RestrictionAnswer
from ingest.routes.machines import DEFAULT_HOUSING, find_housing, sees_machine, terminal_document
from ingest.routes.shared import (
    At,
    Name,
    PathName,
    R,
    needs,
    problems,
    snapshots_of,
    text,
    text_s,
    us,
    views_of,
)
from ingest.store import fleet
from ingest.store.keys import Key

router = APIRouter(tags=["restriction"])

MAX_POINTS = 2_000  # of the series in one answer, newest first kept; chosen: more than a screen has columns
#: most urgent first
URGENCY = ("over", "due", "suspect", "plan", "silent", "running-in", "serving")

Reader = Annotated[Key, Depends(needs("fleet:read"))]


@router.get(
    "/v1/machines/{machine}/restriction",
    summary="Restriction, share used, state, hours left, due dates",
    description=(
        "A status is advice. The engine maker's service limit and manual come first; engine off, key out and "
        "machine secured before anyone works in the engine bay; never run the engine with the element out."
    ),
    response_model=RestrictionAnswer,
    responses=problems(404),
)
def get_restriction(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
    since: Annotated[At | None, Query(description="the series from here on")] = None,
) -> dict[str, Any]:
    """What is known of one housing now, with the series of restriction at the reference flow by hour."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        seen = assessment.view(connection, found, resources, snapshots_of(request), views_of(request))
    return document_of(seen) | {"series": _series(seen, us(since))}


@router.get(
    "/v1/fleet",
    summary="All housings, most urgent first",
    response_model=FleetAnswer,
)
def get_fleet(request: Request, resources: R, key: Reader) -> dict[str, Any]:
    """What is known of every housing that the key may see, most urgent first."""
    with resources.reading() as connection:
        views = [
            assessment.view(connection, housing, resources, snapshots_of(request), views_of(request))
            for housing in fleet.every_housing(connection, key.owner_id)
            if _sees(connection, key, housing.machine)
        ]
    views.sort(key=_urgency)
    return {"now": text_s(resources.clock() / 1e6), "housings": [document_of(seen) for seen in views]}


def _sees(connection: sa.Connection, key: Key, machine: str) -> bool:
    found = fleet.machine(connection, key.owner_id, machine)
    return found is not None and sees_machine(connection, key, found)


def _urgency(seen: View) -> tuple[int, float, str, str]:
    due_s = seen.assessment.due_s.p50 if seen.assessment.due_s else float("inf")
    return URGENCY.index(seen.assessment.state), due_s, seen.housing.machine, seen.housing.name


def document_of(seen: View) -> dict[str, Any]:
    """A housing's assessment for an answer. Restriction in Pa, hours are operating hours, times in UTC."""
    found = seen.assessment
    return {
        "machine": seen.housing.machine,
        "housing": seen.housing.name,
        "kind": seen.housing.kind or None,
        "now": text_s(found.now_s),
        "state": found.state,
        "advice": found.advice,
        "suspicions": [{"cause": s.cause, "evidence": s.evidence} for s in found.suspicions],
        "restriction_pa": found.restriction_pa,
        "clean_restriction_pa": found.clean_pa,
        "terminal_restriction": terminal_document(seen.terminal),
        "share_used_percent": found.share_used_percent,
        "life_hours": found.life_hours,
        "hours_left": _points(found.hours_left),
        "due_at": _dates(found.due_s),
        "duty_hours_per_day": found.duty_hours_per_day,
        "last_reading_at": text_s(seen.last_reading_s),
        "last_heard_at": text(seen.heard_us),
        "quiet_s": found.quiet_s,
        "quiet_because": found.quiet_because,
        "evidence": list(found.evidence),
        "basis": found.basis,
        "flow_exponent": found.reference.exponent,
        "lives_learned_from": found.lives_learned_from,
        "snapshot": seen.snapshot,
        "hours_behind": seen.hours_behind,
    }


def _points(points: Quantiles | None) -> dict[str, float] | None:
    return None if points is None else {"p10": points.p10, "p50": points.p50, "p90": points.p90}


def _dates(points: Quantiles | None) -> dict[str, str | None] | None:
    if points is None:
        return None
    return {"p10": _date(points.p10), "p50": _date(points.p50), "p90": _date(points.p90)}


def _date(at_s: float) -> str | None:
    """An instant, or None beyond what a calendar can say: a machine that hardly works has no honest date."""
    return text_s(at_s) if at_s < 4_102_444_800 else None  # 2100-01-01


def _series(seen: View, since_us: int | None) -> list[dict[str, Any]]:
    """Restriction at the reference flow, one point an operating hour, the newest `MAX_POINTS`."""
    series = seen.series
    points = zip(
        series.hour_s.tolist(), series.restriction_pa.tolist(), series.operating_s.tolist(), strict=True
    )
    kept = [p for p in points if since_us is None or p[0] * 1e6 >= since_us]
    return [
        {"hour": text_s(hour_s), "restriction_pa": restriction_pa, "operating_s": operating_s}
        for hour_s, restriction_pa, operating_s in kept[-MAX_POINTS:]
    ]
