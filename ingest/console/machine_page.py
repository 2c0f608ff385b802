"""
One machine: how loaded, until when, what that rests on, and what people entered of it.

Its JSON twins are `GET /v1/machines/{machine}`, `.../restriction`, `.../lives`, `.../element-changes` and
`.../planned-change`; a form is posted by the function of its `POST` or `DELETE`.
Leaves to others: the plot (`machine_plot`, `plot`), what the data say of an entry (`ingest.analysis`).
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from http import HTTPStatus
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import Depends, Query, Request, Response
from starlette.datastructures import FormData

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.api.routes.element_changes import (
    NewChange,
    delete_element_change,
    get_element_changes,
    post_element_change,
    refuse_far_off,
)
from cleanside.ingest.api.routes.entries import NewEntry
from cleanside.ingest.api.routes.entries import post_entry as post_correction
from cleanside.ingest.api.routes.gauge_readings import get_gauge_readings
from cleanside.ingest.api.routes.housing_lives import get_lives
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing, get_machine
from cleanside.ingest.api.routes.newest import get_newest
from cleanside.ingest.api.routes.papers import LaidUp, PapersEdit, patch_papers
from cleanside.ingest.api.routes.plan_moves import moves_of
from cleanside.ingest.api.routes.planned_change import NewPlan, delete_planned_change, post_planned_change
from cleanside.ingest.api.routes.planned_day_asked import is_taken_unasked
from cleanside.ingest.api.routes.restriction import get_restriction
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, PathName, R
from cleanside.ingest.console import plot
from cleanside.ingest.console.field_faults import WrongFields
from cleanside.ingest.console.fleet_page import asked_of, late_s, unit_of
from cleanside.ingest.console.formats import Formats, WrittenDays
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    FormReader,
    fault_of,
    read_form,
    trimmed_field,
)
from cleanside.ingest.console.indicator_words import indicator_apart
from cleanside.ingest.console.laid_up_words import laid_up_said
from cleanside.ingest.console.machine_names import known_machines
from cleanside.ingest.console.machine_plot import By, plot_of, weeks_of
from cleanside.ingest.console.machine_said import machine_said
from cleanside.ingest.console.meant_days import MEANT, because, is_asked_about
from cleanside.ingest.console.rendering import formats_of, render, sayer_of
from cleanside.ingest.console.right_days import RIGHT_DAY, right_day
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.safety_words import safety_said
from cleanside.ingest.console.said_words import entry_said, said
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.visit_page import MOST_MACHINES, instant_of
from cleanside.ingest.console.visit_sheet import decimals_of
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.shop.right_year import done_in, planned_in
from cleanside.ingest.store.element_changes import made_entry_id
from cleanside.ingest.store.keys import Key

router = page_router()

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
Writer = Annotated[Key, Depends(page_needs("changes:write"))]
LayUpWriter = Annotated[Key, Depends(page_needs("shop:write"))]

#: what became of a planned day, as the address of the page says it
PlanAct = Literal["planned", "taken_back"]
PLANNED: PlanAct = "planned"
TAKEN_BACK: PlanAct = "taken_back"
#: of the form of an entry, as they stand again when it was refused
KEPT_FIELDS = (
    *("what", "day", "time", "meter", "old_meter", "new_meter_began", "gauge", "part", "note", "entry_id"),
)
#: field of the body of an entry -> of its form
FIELDS_OF_FORM = {
    "changed_at": "day",
    "meter_hours": "meter",
    "old_meter_hours": "old_meter",
    "new_meter_began_hours": "new_meter_began",
}
MOST_GAUGES = 3  # the newest; chosen, the JSON twin has all
WORK = ("new", "cleaned", "inspected", "safety_element")
#: the code of the evidence that says how far the share used may be off
WIDTH = "share_width"
#: a code of the evidence -> what it is about; others are about the level
TOPICS = {
    "no_limit": "limit",
    "change_denied": "entries",
    "flow_envelope": "flow",
    "flow_scaled": "flow",
    **dict.fromkeys(("sensor_follows_slowly", "sensor_misses_peaks"), "flow"),
    **dict.fromkeys(
        ("reference_entered", "reference_learned", "reference_speed_learned", "reference_speed_idle"), "flow"
    ),
    "reference_full_load": "flow",
    "raised_to_full_flow": "flow",
    WIDTH: "share",
    **dict.fromkeys(("enter_full_flow", "send_load", "send_speed_and_load"), "share"),
    "reference_unused": "flow",
    "zero_learned": "zero",
    "zero_not_seen": "zero",
    "air_unknown": "air",
    "air_known": "air",
    "in_use_when_first_seen": "element",
    "fell_part_of_the_way": "element",
    "fell_to_clean": "element",
    "step_weighed": "element",
    "step_warned": "element",
    "no_lives": "forecast",
    "lives_learned": "forecast",
    "outlier": "forecast",
    "learned": "forecast",
    "learning_failed": "forecast",
    "duty_assumed": "duty",
    "duty_seen": "duty",
    "quiet": "silence",
    "backlog_arrives": "silence",
    "readings_waiting": "silence",
    "work_not_read": "silence",
    "stands_laid_up": "silence",
}
#: shown as a question
ASKED = frozenset({"worked_laid_up"})


@router.get("/machines/{machine}")
def get_machine_page(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
    by: Annotated[By, Query()] = "date",
    entered: Annotated[Name | None, Query()] = None,
    did: Annotated[PlanAct | None, Query()] = None,
) -> Response:
    """
    What is known of a machine.

    entered : an entry that was just made, shown first with its verdict. did : what became of its planned day
    just now.
    """
    return _page(request, resources, key, machine, housing, by=by, entered=entered, did=did)


def why_no_plot(newest: Mapping[str, Any]) -> str:
    """The words below `machine.` where there is no plot. newest : an answer of `get_newest`."""
    if newest["received_at"]:
        return "no_plot_yet"
    return "not_believed" if newest["quarantined"] else "no_readings"


@dataclass(frozen=True, slots=True)
class RefusedForm:
    """A form that was not taken: what is wrong with it, and what was in it."""

    fault: FormFault
    kept: Mapping[str, str]


def _page(
    request: Request,
    resources: R,
    key: Key,
    machine: str,
    housing: str,
    *,
    by: By = "date",
    entered: str | None = None,
    did: PlanAct | None = None,
    refused: RefusedForm | None = None,
    refused_plan: RefusedForm | None = None,
    lay_up_refused: bool = False,
) -> Response:
    known = get_restriction(machine, request, resources, key, housing, None, with_coverage=True)
    told = get_lives(machine, request, resources, key, housing)
    lives, elements = told["lives"], told["elements"]
    changes = get_element_changes(machine, request, resources, key, housing)
    gauges = get_gauge_readings(machine, request, resources, key, housing)["gauge_readings"]
    say = sayer_of(request, key).in_unit(unit_of(known))
    formats, unit = say.formats, unit_of(known) or "kPa"
    name_of = WhoNames(resources.reading, key, say)
    drawn = plot_of(known, lives, say, unit, by)
    papers = get_machine(machine, resources, key)
    faults = [form.fault.status for form in (refused, refused_plan) if form is not None]
    return render(
        request,
        "machine.html",
        key=key,
        status=next(iter(faults), HTTPStatus.CONFLICT if lay_up_refused else HTTPStatus.OK),
        refused=refused,
        refused_plan=refused_plan,
        right_day=_right_day(refused, formats, "day", done_in),
        right_plan_day=None
        if refused_plan is None
        else _right_plan_day(request, resources, key, machine, housing, refused_plan),
        in_full=WrittenDays(formats).in_full,
        day_asked=refused_plan is not None and is_asked_about(refused_plan.fault.fields),
        kept={} if refused is None else refused.kept,
        known=known,
        papers=papers,
        moved_times=_moved_times(request, resources, key, machine, known["housing"]),
        lay_up_over=papers["laid_up"] if _is_over(papers["laid_up"], _today(formats)) else None,
        lay_up_refused=lay_up_refused,
        whole=WrittenDays(formats).of,
        unit=unit,
        machine_says=machine_said(say, known),
        apart=indicator_apart(say, known),
        late_s=late_s(known, say),
        laid_up=laid_up_said(say, known["laid_up"]),
        asked=len(asked_of(known)) + len(known["changes_found"]),
        worked_laid_up=known["worked_laid_up"] and said(say, known["worked_laid_up"]),
        by=by,
        plot=drawn and plot.every_width(drawn),
        why_no_plot=None if drawn else why_no_plot(get_newest(machine, resources, key, housing)),
        zoom=drawn and plot.to_zoom(drawn),
        came=list(came_of(known)),
        weeks=weeks_of(known, formats, unit),
        evidence=evidence_of(known, say),
        share_range=share_range(known),
        entries=[
            {"known": entry, "verdict": entry_said(say, entry, name_of)}
            for entry in changes["element_changes"]
        ],
        gone=changes["gone"],
        machines=known_machines(resources, key)[:MOST_MACHINES] if changes["element_changes"] else (),
        entered=entered,
        did=did,
        gauges=list(reversed(gauges[-MOST_GAUGES:])),
        decimals_of=decimals_of,
        cautions=[caution["code"] for caution in changes["cautions"]],
        lives=lives,
        elements=elements,
        stretches=[(e["element"], n) for e in elements for n in range(len(e["cleanings"]) + 1)],
        cleaned=[(e, n, cleaning) for e in elements for n, cleaning in enumerate(e["cleanings"], 1)],
        most_cleanings=told["most_cleanings"],
        safety=safety_said(say, told["safety_element"]),
        cleaning_cautions=[caution["code"] for caution in told["cautions"]],
        longest_h=max((life["hours"] for life in lives), default=0.0),
        work=WORK,
        new_id=str(uuid.uuid4()),
        now_local=formats.moment(formats.now_s),
    )


@router.post("/machines/{machine}/entries")
def post_entry(machine: PathName, request: Request, resources: R, key: Writer, fields: Fields) -> Response:
    """Enter what was done, and show what the data say of it. The same form sent twice is one entry."""
    try:
        body = change_of(fields, formats_of(request, viewer_of(request, key)))
        post_element_change(machine, body, request, resources, key)
    except FAULTS as error:
        housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
        return _page(request, resources, key, machine, housing, refused=_refused(error, fields))
    return see_other(_address(machine, body.housing, entered=_entry_id(body)))


@router.post("/machines/{machine}/entries/taken-back")
def post_taken_back(
    machine: PathName, request: Request, resources: R, key: Writer, fields: Fields
) -> Response:
    """Take an entry back; the audit keeps it."""
    housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    try:
        body = change_of(fields, formats_of(request, viewer_of(request, key)))
    except WrongFields as error:
        return _page(request, resources, key, machine, housing, refused=_refused(error, fields))
    entry_id = trimmed_field(fields, "entry_id") or None
    delete_element_change(machine, request, body.changed_at, resources, key, housing, entry_id)
    return see_other(_address(machine, housing))


@router.post("/machines/{machine}/entries/corrected")
def post_corrected(
    machine: PathName, request: Request, resources: R, key: Writer, fields: Fields
) -> Response:
    """Correct when or where work was done; the audit keeps what the entry was."""
    housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    formats = formats_of(request, viewer_of(request, key))
    try:
        post_correction(_correction_of(machine, housing, fields, formats), request, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, machine, housing, refused=_refused(error, fields))
    return see_other(f"{_address(machine, housing)}#entries")


def _correction_of(machine: str, housing: str, fields: FormData, formats: Formats) -> NewEntry:
    """The entry of the form that corrects another. Raises Refused (422), RequestValidationError."""
    names = ("of", "changed_at", "to_machine", "to_housing", "because")
    content = {name: text for name in names if (text := trimmed_field(fields, name))} | {"housing": housing}
    if "changed_at" in content:
        content["changed_at"] = instant_of(content["changed_at"], formats)
    entry_id, now = str(uuid.uuid4()), instant_text(round(formats.now_s * 1_000_000))
    whole = {"entry_id": entry_id, "kind": "correction", "machine": machine, "made_at": now}
    return read_form(NewEntry, whole | {"content": content})


@router.post("/machines/{machine}/planned-day")
def post_planned_day(
    machine: PathName, request: Request, resources: R, key: Writer, fields: Fields
) -> Response:
    """Plan the change for a day, or move it; the day before it is replaced."""
    housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    on = trimmed_field(fields, RIGHT_DAY) or trimmed_field(fields, "on")
    given = {"on": on, "note": trimmed_field(fields, "plan_note")}
    viewer = viewer_of(request, key)
    try:
        seen = trimmed_field(fields, "seen") or None
        more = {"housing": housing, "zone": viewer.zone.key, "seen": seen}
        more |= {"confirmed_because": because(sayer_of(request, key), given["on"], fields, MEANT)}
        body = read_form(NewPlan, given | more)
        post_planned_change(machine, body, request, resources, key)
    except FAULTS as error:
        refused = RefusedForm(fault_of(error), given)
        return _page(request, resources, key, machine, housing, refused_plan=refused)
    return see_other(_address(machine, housing, at="plan", did=PLANNED))


@router.post("/machines/{machine}/planned-day/taken-back")
def post_planned_day_taken_back(
    machine: PathName, request: Request, resources: R, key: Writer, fields: Fields
) -> Response:
    """No day is meant any more."""
    housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    seen = trimmed_field(fields, "seen") or None
    try:
        delete_planned_change(machine, request, resources, key, housing, seen)
    except FAULTS as error:
        refused = RefusedForm(fault_of(error), {})
        return _page(request, resources, key, machine, housing, refused_plan=refused)
    return see_other(_address(machine, housing, at="plan", did=TAKEN_BACK))


@router.post("/machines/{machine}/lay-up")
def post_lay_up(
    machine: PathName, request: Request, resources: R, key: LayUpWriter, fields: Fields
) -> Response:
    """Answer for a machine that worked while it is laid up: it is back, or it stands from today on."""
    papers = PapersEdit(laid_up=None)
    housing = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    entered = get_machine(machine, resources, key)["laid_up"]
    if trimmed_field(fields, "answer") == "stands" and entered is not None:
        today = _today(formats_of(request, viewer_of(request, key)))
        if _is_over(entered, today):  # since the page was opened
            return _page(request, resources, key, machine, housing, lay_up_refused=True)
        papers = PapersEdit(laid_up=LaidUp.model_validate(entered | {"from": today}))
    patch_papers(machine, papers, resources, key)
    return see_other(_address(machine, housing, at="main"))


def _moved_times(request: Request, resources: R, key: Key, machine: str, housing: str) -> int:
    """How often its planned day was moved."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        view = services_of(request).judge(connection, key).view(found)
        return moves_of(connection, key, [view], resources.clock()).get((machine, housing), 0)


def _is_over(laid_up: Mapping[str, Any] | None, today: str) -> bool:
    """It is entered, and its last day has passed. today : ISO 8601."""
    return laid_up is not None and laid_up["until"] is not None and laid_up["until"] < today


def _today(formats: Formats) -> str:
    """The day where the viewer is, ISO 8601."""
    return formats.moment(formats.now_s).date().isoformat()


def _entry_id(body: NewChange) -> str:
    """The id of an entry: an answer to a found change gets its own from the server."""
    return body.entry_id or made_entry_id(parse_instant(body.changed_at).us, body.what)


# ---------------------------------------------------------------- from a form


def change_of(fields: FormData, formats: Formats) -> NewChange:
    """The entry of a form. Raises WrongFields with all that is wrong with it."""
    reader, unit = FormReader(), trimmed_field(fields, "gauge_unit") or "kPa"
    gauge, what = reader.number(fields, "gauge"), trimmed_field(fields, "what")
    at = trimmed_field(fields, "changed_at") or reader.read(lambda: _instant(fields, formats))
    given = {
        "part": trimmed_field(fields, "part") or None if what == "new" else None,
        "meter_hours": reader.number(fields, "meter"),
        "old_meter_hours": reader.number(fields, "old_meter"),
        "new_meter_began_hours": reader.number(fields, "new_meter_began"),
        "gauge": None if gauge is None else {"value": gauge, "unit": unit},
        "changed_at": at or instant_text(round(formats.now_s) * 1_000_000),  # what is wrong with it is said
        "housing": trimmed_field(fields, "housing") or DEFAULT_HOUSING,
        "note": trimmed_field(fields, "note"),
        "what": what,
        "entry_id": trimmed_field(fields, "entry_id") or None,
        "confirmed_because": trimmed_field(fields, "confirmed_because"),
    }
    return reader.body(lambda: read_form(NewChange, given))


def _refused(error: Exception, fields: FormData) -> RefusedForm:
    """What is wrong with a form, and what it held: nothing is typed twice. Raises what is no fault."""
    kept = {name: trimmed_field(fields, name) for name in KEPT_FIELDS}
    fault = fault_of(error)
    named = tuple(replace(one, field=FIELDS_OF_FORM.get(one.field, one.field)) for one in fault.fields)
    return RefusedForm(replace(fault, fields=named), kept)


def _right_day(
    refused: RefusedForm | None, formats: Formats, field: str, right: Callable[..., date | None]
) -> str | None:
    """The day of a refused form in the year that can be meant, ISO 8601; None: its year is right."""
    if refused is None:
        return None
    today = formats.moment(formats.now_s).date()
    return right_day(refused.fault.fields, (refused.kept or {}).get(field, ""), today, right)


def _right_plan_day(
    request: Request, resources: R, key: Key, machine: str, housing: str, refused: RefusedForm
) -> str | None:
    """As `_right_day`, of a planned day; None too where that day would itself be asked about."""
    viewer = viewer_of(request, key)
    found = _right_day(refused, sayer_of(request, key).formats, "on", planned_in)
    if found is None:
        return None
    with resources.reading() as connection:
        view = (
            services_of(request).judge(connection, key).view(find_housing(connection, key, machine, housing))
        )
        is_taken = is_taken_unasked(connection, key.owner_id, view, found, viewer.zone.key)
    return found if is_taken else None


def _instant(fields: FormData, formats: Formats) -> str:
    """Day and time of a form, in the viewer's zone, as an instant. Raises Refused (422)."""
    day = trimmed_field(fields, RIGHT_DAY) or trimmed_field(fields, "day")
    time = trimmed_field(fields, "time") or "12:00"
    try:
        local = datetime.fromisoformat(f"{day}T{time}")
    except ValueError:
        raise NotValid(Complaint("day", "not_a_day_and_time", day=day, time=time)) from None
    at_us = int(formats.from_local(local) * 1e6)
    refuse_far_off(at_us, int(formats.now_s * 1e6))  # said with what else is wrong, not after it
    return instant_text(at_us)


def _address(machine: str, housing: str, *, at: str = "entries", **more: str | None) -> str:
    """The page of a housing, at a place of it."""
    asked = {"housing": housing} if housing != DEFAULT_HOUSING else {}
    query = urlencode(asked | {name: value for name, value in more.items() if value})
    return f"/machines/{machine}" + (f"?{query}" if query else "") + f"#{at}"


# ---------------------------------------------------------------- what is shown


def came_of(known: Mapping[str, Any]) -> Iterator[tuple[str, int, Any]]:
    """Each way in which readings came, with how many: the key beside the strip."""
    spans = known["coverage"] or []
    for came in ("live", "late", "bundle", "missing", "quarantined"):
        many = sum(span["readings"] for span in spans if span["came"] == came)
        if many:
            yield came, many, plot.key_mark(came)


def share_range(known: Mapping[str, Any]) -> tuple[float, float] | None:
    """
    Between which shares used the true one lies in 8 cases of 10 [%]; None: it is not said to be wide.

    known : the document of a housing.
    """
    share = known["share_used_percent"]
    points = next((one["values"]["points"] for one in known["evidence_said"] if one["code"] == WIDTH), None)
    return None if share is None or points is None else (max(0.0, share - points), share + points)


def evidence_of(known: Mapping[str, Any], say: Sayer) -> list[tuple[str, list[Any]]]:
    """What the figures rest on, by what it is about."""
    topics: dict[str, list[Any]] = {}
    for statement in known["evidence_said"]:
        if statement["code"] not in ASKED and not statement["code"].startswith("entry_"):
            topics.setdefault(TOPICS.get(statement["code"], "level"), []).append(said(say, statement))
    return list(topics.items())
