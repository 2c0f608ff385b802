"""
The plan of visits: by day and site, why, what each move costs; accepting it; the prices and people behind it.

JSON twins: `GET /v1/visit-plan`, `POST /v1/visit-plan/accepted` and `/taken-back`, `GET` and `POST
/v1/planning-terms`.
Promises: what is accepted is what the page showed; it says first which planned days that moves, and moves
those alone that were ticked. A page that is older than what people decided accepts nothing. Days chosen by
hand stand in the address. Where there is no plan, the page says why and shows what can be corrected.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import groupby
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.accepted_plan import (
    AcceptedVisit,
    NewAcceptedPlan,
    PlanTakenBack,
    day_moves,
    days_to_mind,
    get_accepted_plans,
    post_accepted_plan,
    post_plan_taken_back,
    questioned_days,
)
from cleanside.ingest.api.routes.planning_terms import (
    NewTerms,
    NewTrip,
    get_planning_terms,
    post_planning_terms,
)
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.api.routes.spreadsheets import Separator
from cleanside.ingest.api.routes.visit_plan import MOST_FIXED, get_visit_plan
from cleanside.ingest.console.day_options import MoveOptions
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.formats import Formats, WrittenDays
from cleanside.ingest.console.forms import FIELD_FAULTS, FormReader, is_sure, read_form, trimmed_field
from cleanside.ingest.console.meant_days import is_asked_about, meant_said
from cleanside.ingest.console.no_plan_words import no_plan_said
from cleanside.ingest.console.rendering import render, sayer_of
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.shop_page import fields_of, names_of, whole_number, written
from cleanside.ingest.console.take_away import file_addresses
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.visit_plan_file import plan_file
from cleanside.ingest.console.visit_sentences import VisitSentences
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import Refused
from cleanside.ingest.shop.spreadsheet import CellFault, day_reader
from cleanside.ingest.store.keys import Key

router = page_router()

PlanReader = Annotated[Key, Depends(page_needs("shop:read"))]
PlanAcceptor = Annotated[Key, Depends(page_needs("shop:write"))]
TermsEditor = Annotated[Key, Depends(page_needs("prices:write"))]

WEEK = "1234567"
OUTDATED = "plan_outdated"
#: the field by which a person says that a day is meant
DAY_MEANT = "day_meant"
#: what a hidden field of the form says of a visit, between slashes
VISIT_FIELDS = ("machine", "housing", "on", "version")
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
    kept: Annotated[int, Query(ge=0)] = 0,
    wanted: Annotated[int, Query(ge=0)] = 0,
    at: Annotated[str, Query(max_length=40)] = "",
    back: Annotated[int | None, Query(ge=0)] = None,
    stay: Annotated[int, Query(ge=0)] = 0,
) -> Response:
    """
    The plan. fixed : days chosen by hand.

    accepted, kept, wanted, at : days of it just planned and left as they were, parts recorded to be ordered,
    when. back, stay : days just taken back, and those that stayed.
    """
    done = None if accepted is None else {"accepted": accepted, "kept": kept, "wanted": wanted, "at": at}
    if back is not None:
        done = {"back": back, "stay": stay}
    return _page(request, resources, key, [one for one in fixed or [] if one], done=done)


@router.get("/visit-plan.csv")
def get_plan_file(
    request: Request,
    resources: R,
    key: PlanReader,
    fixed: Annotated[list[str] | None, Query(max_length=MOST_FIXED)] = None,
    separator: Separator = "comma",
) -> Response:
    """The plan to take away, for a spreadsheet, with what it leaves out. fixed : days chosen by hand."""
    zone = viewer_of(request, key).zone.key
    plan = get_visit_plan(request, resources, key, zone, [one for one in fixed or [] if one])
    say = sayer_of(request, key)
    return plan_file(say, plan, separator, name_of=WhoNames(resources.reading, key, say))


@router.post("/visit-plan/accept")
def post_accept(request: Request, resources: R, key: PlanAcceptor, fields: Fields) -> Response:
    """Say what accepting the days of the page changes; once that is confirmed, plan them."""
    body = _accepted_of(sayer_of(request, key), fields, viewer_of(request, key).zone.key)
    try:
        if not is_sure(fields):
            return _ask(request, resources, key, body, _chosen_days(fields))
        done = post_accepted_plan(body, request, resources, key)
    except Refused as refused:
        if faults := _day_faults(refused, body):
            return _ask(request, resources, key, body, _chosen_days(fields), faults)
        if refused.code != OUTDATED:
            raise
        return _page(request, resources, key, _chosen_days(fields), outdated=refused.values)
    counts = {"accepted": done["changed"], "kept": len(done["kept"]), "wanted": len(done["orders"])}
    return see_other(f"/visit-plan?{urlencode(counts | {'at': done['accepted_at']})}")


@router.post("/visit-plan/take-back")
def post_take_back(request: Request, resources: R, key: PlanAcceptor, fields: Fields) -> Response:
    """Take all days of an accepted plan back."""
    zone = viewer_of(request, key).zone.key
    body = read_form(PlanTakenBack, {"accepted_at": trimmed_field(fields, "at"), "zone": zone})
    done = post_plan_taken_back(body, request, resources, key)
    return see_other(f"/visit-plan?{urlencode({'back': done['changed'], 'stay': len(done['stay'])})}")


def _accepted_of(say: Sayer, fields: Fields, zone: str) -> NewAcceptedPlan:
    """The days of a form as the body of the route. Raises RequestValidationError."""
    replaced = {str(name) for name in fields.getlist("replaces")}
    meant = {str(name) for name in fields.getlist(DAY_MEANT)}
    seen = [dict(zip(VISIT_FIELDS, str(v).split("/"), strict=False)) for v in fields.getlist("visit")]
    visits = [
        read_form(
            AcceptedVisit, {**one, "replaces": f"{one.get('machine')}/{one.get('housing')}" in replaced}
        )
        for one in seen
    ]
    for visit in visits:
        if day_name(visit) in meant:
            visit.confirmed_because = meant_said(say, visit.on)
    return read_form(NewAcceptedPlan, {"zone": zone, "visits": visits})


def day_name(visit: AcceptedVisit) -> str:
    """A visit and its day, as the form names a day that is meant."""
    return f"{visit.machine}/{visit.housing}/{visit.on}"


def _day_faults(refused: Refused, body: NewAcceptedPlan) -> dict[str, FieldFault]:
    """Day (`day_name`) -> what is asked about it; empty: it was refused for something else."""
    faults = field_faults(refused)
    if not is_asked_about(faults):
        return {}
    places = [int(complaint.pointer.split("/")[2]) for complaint in refused.errors]
    return {
        day_name(body.visits[place]): replace(fault, of=body.visits[place].machine)
        for place, fault in zip(places, faults, strict=True)
    }


def _chosen_days(fields: Fields) -> list[str]:
    """The days chosen by hand of the plan that is accepted."""
    return [str(one) for one in fields.getlist("fixed")][:MOST_FIXED]


def _ask(
    request: Request,
    resources: R,
    key: Key,
    body: NewAcceptedPlan,
    fixed: Sequence[str],
    faults: Mapping[str, FieldFault] | None = None,
) -> Response:
    """
    What accepting changes, machine by machine, before it is done.

    fixed : days chosen by hand. faults : days that are asked about.
    """
    questioned = questioned_days(request, resources, key)
    with resources.reading() as connection:
        moves = day_moves(connection, key, body, resources.clock(), questioned)
        judge = services_of(request).judge(connection, key, now_us=resources.clock())
        mind = days_to_mind(judge, moves)
    sentences = VisitSentences(sayer_of(request, key), for_page=True)
    return render(
        request,
        "visit_plan_accept.html",
        key=key,
        status=422 if faults else 200,
        faults=faults or {},
        replaced={f"{v.machine}/{v.housing}" for v in body.visits if v.replaces},
        asked=[move for move in moves if move.is_asked],
        new=[move for move in moves if not (move.is_asked or move.is_same)],
        same=sum(move.is_same for move in moves),
        visits=["/".join((v.machine, v.housing, v.on, v.version or "")) for v in body.visits],
        fixed=fixed,
        mind={name: sentences.to_mind(of) for name, of in mind.items()},
        whole=WrittenDays(sayer_of(request, key).formats).of,
    )


@router.post("/visit-plan/terms")
def post_terms_form(request: Request, resources: R, key: TermsEditor, fields: Fields) -> Response:
    """Keep prices, people and ways; an empty field takes its value away."""
    try:
        post_planning_terms(_terms_of(fields), resources, key)
    except FIELD_FAULTS as wrong:
        return _page(request, resources, key, [], faults=field_faults(wrong), kept=fields_of(fields))
    return see_other("/visit-plan#terms")


def _terms_of(fields: Fields) -> NewTerms:
    """The form as the body of the route. Raises WrongFields with all that is wrong with it."""
    reader = FormReader()
    chance = reader.number(fields, "chance_percent")
    people = reader.read(lambda: whole_number(trimmed_field(fields, "people"), "people"))
    amounts = {name: reader.number(fields, name) for name in AMOUNTS}
    trips = [_trip_of(fields, str(site), reader) for site in fields.getlist("site")]
    days = "".join(day for day in WEEK if fields.get(f"works/{day}"))
    return reader.body(
        lambda: NewTerms(
            currency=trimmed_field(fields, "currency").upper() or None,
            people=people,
            working_days=days or None,
            days_off=[_day_off(day) for day in re.split(r"[\s,;]+", str(fields.get("days_off", ""))) if day],
            chance_allowed=None if chance is None else chance / 100,
            trips=[trip for trip in trips if trip is not None],
            **amounts,
        )
    )


def _day_off(written: str) -> str:
    """A day as the route takes it; what cannot be read is left to the route, which names it."""
    try:
        return str(day_reader(decimal_comma=True)(written))
    except CellFault:
        return written


def _trip_of(fields: Fields, site: str, reader: FormReader) -> NewTrip | None:
    """The way to a site; None: it is left open."""
    km, hours = reader.number(fields, f"km/{site}"), reader.number(fields, f"hours/{site}")
    return None if km is None and hours is None else NewTrip(site=site, km=km or 0.0, hours=hours or 0.0)


# ---------------------------------------------------------------- the page


def _page(
    request: Request,
    resources: R,
    key: Key,
    fixed: Sequence[str],
    *,
    done: Mapping[str, Any] | None = None,
    outdated: Mapping[str, Any] | None = None,
    faults: Sequence[FieldFault] = (),
    kept: Mapping[str, str] | None = None,
) -> Response:
    zone, no_plan = viewer_of(request, key).zone.key, None
    try:
        plan = get_visit_plan(request, resources, key, zone, list(fixed))
    except Refused as refused:
        plan, no_plan = None, no_plan_said(sayer_of(request, key), refused)
    say, shop = sayer_of(request, key), get_shop(resources, key)
    days = WrittenDays(say.formats)
    terms = get_planning_terms(resources, key)
    assumed = {line["field"]: line["value"] for line in terms["assumed"]}
    status = 422 if faults or no_plan is not None else 200
    return render(
        request,
        "visit_plan.html",
        key=key,
        status=409 if outdated is not None else status,
        plan=plan,
        no_plan=no_plan,
        fixed=[_fixed(one, days) for one in fixed],
        without=_without(request, resources, key, zone) if plan is not None and fixed else None,
        late=[] if plan is None else [visit for visit in plan["visits"] if visit["waits_for"] is not None],
        to_order={} if plan is None else _to_order(plan),
        days=[] if plan is None else _by_day(plan),
        is_listed=plan is not None and all(_stands_on_list(visit) for visit in plan["visits"]),
        whole=days.of,
        sentences=VisitSentences(say, for_page=True),
        move_options=MoveOptions(
            say, days.of, f" {plan['currency']}" if plan is not None and plan["currency"] else ""
        ),
        files=file_addresses(f"/visit-plan?{urlencode([('fixed', one) for one in fixed])}"),
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
        done=done,
        accepted=get_accepted_plans(resources, key)["plans"],
        outdated=outdated,
        faults=faults,
        kept=kept,
    )


def _fixed(one: str, days: WrittenDays) -> dict[str, str]:
    """A day chosen by hand; one that is no day stays as it came, the plan says why it takes none."""
    machine, housing, day = [*one.split("/"), "", ""][:3]
    try:
        shown = days.of(day)
    except ValueError:
        shown = day
    return {"value": one, "name": f"{machine}/{housing}", "machine": machine, "shown": shown}


def _without(request: Request, resources: R, key: Key, zone: str) -> dict[str, Any] | None:
    """The plan without the days chosen by hand; None: there is none without them."""
    try:
        return dict(get_visit_plan(request, resources, key, zone, None))
    except Refused:
        return None


def _stands_on_list(visit: Mapping[str, Any]) -> bool:
    """Is the day of a visit the one on the work list, or the day that is planned."""
    planned = visit["planned"]
    is_planned = planned is not None and (planned["state"], planned["on"]) == ("open", visit["day"])
    return is_planned or visit["work_list_on"] == visit["day"]


def _to_order(plan: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """Machine and housing -> the order of its part, for visits that come after the stock has gone."""
    orders = {order["part"]: order for order in plan["orders"]}
    left = {part: order["in_stock"] for part, order in orders.items()}
    found = {}
    for visit in plan["visits"]:  # by day
        if (part := visit["part"]) in orders:
            left[part] -= 1
            if left[part] < 0:
                found[f"{visit['machine']}/{visit['housing']}"] = orders[part]
    return found


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
