"""
The plan of visits: by day and site, why, what each move costs; accepting it; the prices and people behind it.

JSON twins: `GET /v1/visit-plan`, `POST /v1/visit-plan/accepted`, `GET` and `POST /v1/planning-terms`.
Promises: what is accepted is what the page showed, whatever changed meanwhile. Days chosen by hand stand in
the address. Where there is no plan, the page says why and shows what can be corrected.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from pydantic import ValidationError

from cleanside.ingest.api.routes.planning_terms import (
    NewTerms,
    NewTrip,
    get_planning_terms,
    post_planning_terms,
)
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.api.routes.visit_plan import (
    MOST_FIXED,
    AcceptedVisit,
    NewAcceptedPlan,
    get_visit_plan,
    post_accepted_plan,
)
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.forms import number_of_field, read_form, trimmed_field
from cleanside.ingest.console.rendering import render, sayer_of
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.shop_page import fields_of, names_of, whole_number, written
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.work_page import WrittenDays
from cleanside.ingest.errors import Refused
from cleanside.ingest.store.keys import Key

router = page_router()

PlanReader = Annotated[Key, Depends(page_needs("shop:read"))]
PlanAcceptor = Annotated[Key, Depends(page_needs("shop:write"))]
TermsEditor = Annotated[Key, Depends(page_needs("prices:write"))]

WEEK = "1234567"
#: fields of the form that are plain numbers, in the order of the form
AMOUNTS = (
    *("hours_per_day", "change_hours", "stop_price", "km_price", "over_price_per_day", "move_price"),
    *("element_price", "fuel_l_per_h", "fuel_price_per_l"),
)


@router.get("/visit-plan")
def get_plan_page(
    request: Request,
    resources: R,
    key: PlanReader,
    fixed: Annotated[list[str] | None, Query(max_length=MOST_FIXED)] = None,
    accepted: Annotated[int | None, Query(ge=0)] = None,
) -> Response:
    """The plan. fixed : days chosen by hand. accepted : so many days of it were just planned."""
    return _page(request, resources, key, [one for one in fixed or [] if one], accepted=accepted)


@router.post("/visit-plan/accept")
def post_accept(request: Request, resources: R, key: PlanAcceptor, fields: Fields) -> Response:
    """Plan the days that the page showed."""
    visits = [
        read_form(AcceptedVisit, dict(zip(("machine", "housing", "on"), str(v).split("/"), strict=False)))
        for v in fields.getlist("visit")
    ]
    zone = viewer_of(request, key).zone.key
    body = read_form(NewAcceptedPlan, {"zone": zone, "visits": visits})
    done = post_accepted_plan(body, resources, key)
    return see_other(f"/visit-plan?accepted={done['changed']}")


@router.post("/visit-plan/terms")
def post_terms_form(request: Request, resources: R, key: TermsEditor, fields: Fields) -> Response:
    """Keep prices, people and ways; an empty field takes its value away."""
    try:
        post_planning_terms(_terms_of(fields), resources, key)
    except (ValidationError, Refused) as wrong:
        return _page(request, resources, key, [], faults=field_faults(wrong), kept=fields_of(fields))
    return see_other("/visit-plan#terms")


def _terms_of(fields: Fields) -> NewTerms:
    """The form as the body of the route. Raises ValidationError, Refused."""
    chance = number_of_field(fields, "chance_percent")
    days = "".join(day for day in WEEK if fields.get(f"works/{day}"))
    return NewTerms(
        currency=trimmed_field(fields, "currency").upper() or None,
        people=whole_number(trimmed_field(fields, "people"), "people"),
        working_days=days or None,
        chance_allowed=None if chance is None else chance / 100,
        trips=[trip for site in fields.getlist("site") if (trip := _trip_of(fields, str(site))) is not None],
        **{name: number_of_field(fields, name) for name in AMOUNTS},
    )


def _trip_of(fields: Fields, site: str) -> NewTrip | None:
    """The way to a site; None: it is left open."""
    km, hours = number_of_field(fields, f"km/{site}"), number_of_field(fields, f"hours/{site}")
    return None if km is None and hours is None else NewTrip(site=site, km=km or 0.0, hours=hours or 0.0)


# ---------------------------------------------------------------- the page


def _page(
    request: Request,
    resources: R,
    key: Key,
    fixed: Sequence[str],
    *,
    accepted: int | None = None,
    faults: Sequence[FieldFault] = (),
    kept: Mapping[str, str] | None = None,
) -> Response:
    zone, no_plan = viewer_of(request, key).zone.key, None
    try:
        plan = get_visit_plan(request, resources, key, zone, list(fixed))
    except Refused as refused:
        plan, no_plan = None, str(refused)
    say, shop = sayer_of(request, key), get_shop(resources, key)
    days = WrittenDays(say.formats)
    terms = get_planning_terms(resources, key)
    assumed = {line["field"]: line["value"] for line in terms["assumed"]}
    failed = bool(faults) or no_plan is not None
    return render(
        request,
        "visit_plan.html",
        key=key,
        status=422 if failed else 200,
        plan=plan,
        no_plan=no_plan,
        fixed=[_fixed(one) for one in fixed],
        more_cost=_more_cost(request, resources, key, zone, plan) if plan is not None and fixed else None,
        days=[] if plan is None else _by_day(plan),
        whole=days.of,
        until="" if plan is None else days.of(_day_before(plan["before"])),
        shop=shop,
        names=names_of(shop),
        terms=terms,
        ways={trip["site"]: trip for trip in terms["trips"]},
        assumed={name: _as_number(value, say.formats) for name, value in assumed.items()},
        working_days=terms["working_days"] or assumed["working_days"],
        amounts=AMOUNTS,
        week=WEEK,
        written=written,
        accepted=accepted,
        faults=faults,
        kept=kept,
    )


def _fixed(one: str) -> dict[str, str]:
    machine, housing, day = [*one.split("/"), "", ""][:3]
    return {"value": one, "name": f"{machine}/{housing}", "machine": machine, "day": day}


def _more_cost(request: Request, resources: R, key: Key, zone: str, plan: Mapping[str, Any]) -> float | None:
    """What the days chosen by hand cost more than the plan without them; None: there is none without them."""
    try:
        free = get_visit_plan(request, resources, key, zone, None)
    except Refused:
        return None
    return float(plan["cost"]["total"] - free["cost"]["total"])


def _by_day(plan: Mapping[str, Any]) -> list[tuple[str, list[tuple[dict[str, Any], list[dict[str, Any]]]]]]:
    """Day -> trips of the day, each with its visits."""
    trips = {(trip["day"], trip["site"]): trip for trip in plan["trips"]}
    by_trip = [
        (day, trips[day, site], list(visits))
        for (day, site), visits in groupby(plan["visits"], key=lambda visit: (visit["day"], visit["site"]))
    ]
    return [
        (day, [(trip, visits) for _, trip, visits in of_day])
        for day, of_day in groupby(by_trip, key=lambda found: found[0])
    ]


def _as_number(value: str, formats: Formats) -> str:
    """A figure that is assumed, as the viewer writes numbers."""
    return formats.number(float(value), 1 if "." in value and not value.endswith(".0") else 0)


def _day_before(day: str) -> str:
    return (date.fromisoformat(day) - timedelta(days=1)).isoformat()
