"""
The work list: what to change on which day, to print, to tick and to move between days.

Its JSON twin is `GET /v1/work`; a tick is an element change as `POST /v1/machines/.../element-changes` enters
it, taking it back is its `DELETE`, moving is `POST /v1/machines/.../planned-change`.
Promises: a tick that is sent again is the same entry; ticks are taken one by one. A tick or move that is
refused says why on the same list, of the same days, site and crew, and keeps every field. With scripts a tick
is an entry of a visit under the same id, so it waits on the phone without a link (`static/ticks.js`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from datetime import date, datetime, timedelta
from functools import partial
from http import HTTPStatus
from itertools import groupby
from typing import Annotated, Any, NamedTuple
from urllib.parse import parse_qsl, urlencode
from zoneinfo import ZoneInfo

from fastapi import Depends, Query, Request, Response
from pydantic import ValidationError
from starlette.datastructures import FormData

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.api.routes.element_changes import (
    NewChange,
    delete_element_change,
    enter_change,
    get_element_changes,
)
from cleanside.ingest.api.routes.gauge_readings import GaugeShowing
from cleanside.ingest.api.routes.machines import find_housing
from cleanside.ingest.api.routes.on_list import on_list
from cleanside.ingest.api.routes.planned_change import (
    NewPlan,
    delete_planned_change,
    planned_of,
    post_planned_change,
)
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.api.routes.spreadsheets import Separator
from cleanside.ingest.api.routes.visit_plan import known_visits
from cleanside.ingest.api.routes.work import get_work, list_days, require_known, work_document
from cleanside.ingest.console.day_options import DayOptions
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.forms import number_of_text
from cleanside.ingest.console.meant_days import MEANT, because, is_asked_about
from cleanside.ingest.console.plan_words import chance_said
from cleanside.ingest.console.rendering import may, render, sayer_of
from cleanside.ingest.console.resting_words import resting_said
from cleanside.ingest.console.right_days import RIGHT_DAY, in_right_year, right_day
from cleanside.ingest.console.routing import Fields, own_path, page_needs, page_router, see_other
from cleanside.ingest.console.safety_words import safety_said
from cleanside.ingest.console.said_words import said
from cleanside.ingest.console.shop_page import names_of
from cleanside.ingest.console.take_away import file_addresses
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.console.work_file import work_file
from cleanside.ingest.console.work_sentences import WorkSentences
from cleanside.ingest.console.work_wanted import ListWanted, Wanted, day_of, refused_end
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.shop.right_year import done_in
from cleanside.ingest.store.keys import Key

router = page_router()

WorkReader = Annotated[Key, Depends(page_needs("shop:read"))]
WorkWriter = Annotated[Key, Depends(page_needs("changes:write"))]

#: parameters of the address that say what was done just now
SAID = ("sent", "taken_back", "question")
MOST_SAID = 40  # ticks whose question is said at once; chosen
#: of a row, in the order of `TickedJob`
TICK_FIELDS = ("what", "meter", "gauge", "unit", "changed_at")
#: of a row, written by a person: such a row is meant to be ticked
WRITTEN_FIELDS = ("meter", "gauge", "changed_at")
#: pointer of a complaint -> the field of a row that it is about
POINTERS = {
    "#/meter_hours": "meter",
    "#/gauge": "gauge",
    "#/gauge/value": "gauge",
    "#/changed_at": "changed_at",
}
#: field of a row -> the words that stand at it
FIELD_WORDS = {
    "meter": "work.meter",
    "gauge": "work.gauge",
    "changed_at": "work.when_own",
    "what": "work.was_short",
    "on": "work.day",
}
#: the key of what is wrong with the list, and with no row of it
WHOLE_LIST = "changed_at"
#: a day was not moved to before a person says that it is meant
DAY_ASKED = "day_asked"
#: what may be ticked; a job that is to be looked at first was inspected, unless somebody says otherwise
WORK_DONE = ("new", "cleaned", "inspected")


class TickedJob(NamedTuple):
    """What a person ticked and wrote beside it, as it came."""

    machine: str
    housing: str
    entry_id: str
    what: str
    meter: str
    gauge: str
    unit: str
    changed_at: str  # as written; "": as for the whole list

    @property
    def name(self) -> str:
        """As fields of the form name the housing."""
        return f"{self.machine}/{self.housing}"


class TickFault(NamedTuple):
    """Why a tick was not taken: the field, and what is wrong with it."""

    field: str
    code: str
    value: str
    #: what the route says of it; empty: the code says it all
    said: tuple[FieldFault, ...] = ()
    #: of the words for `code`, beside `value`
    values: Mapping[str, Any] = {}


@router.get("/work-list")
def get_work_page(
    request: Request,
    resources: R,
    key: WorkReader,
    wanted: Wanted,
    sent: Annotated[int, Query(ge=0)] = 0,
    taken_back: Annotated[bool, Query()] = False,
    question: Annotated[list[str] | None, Query(max_length=MOST_SAID)] = None,
) -> Response:
    """
    The work list by day.

    sent, taken_back : ticks taken, and whether one was taken back, just now. question : machine and housing
    of those ticks that the readings, or their date, put in doubt.
    """
    asked = question or ()
    return _page(request, resources, key, wanted, {}, {}, sent=sent, taken_back=taken_back, asked=asked)


@router.get("/work-list.csv")
def get_work_file(
    request: Request,
    resources: R,
    key: WorkReader,
    wanted: Wanted,
    separator: Separator = "comma",
) -> Response:
    """The list to take away, for a spreadsheet, with what should be on it and is not."""
    zone, say = _zone(request, key).key, sayer_of(request, key)
    work = get_work(request, resources, key, day_of(wanted), zone, wanted.site, wanted.crew)
    names = names_of(get_shop(resources, key))["site"]
    return work_file(say, work, separator, name_of=WhoNames(resources.reading, key, say), sites=names)


@router.post("/work-list/done")
def post_done(request: Request, resources: R, key: WorkWriter, fields: Fields) -> Response:
    """Enter what was ticked; back to the list, which shows what the data say."""
    faults: dict[str, list[TickFault]] = {}
    zone, fields = _zone(request, key), _in_right_years(fields)
    changed_at, fault = _changed_at(str(fields.get("changed_at", "")), zone)
    ticked = list(_ticked(fields))
    if fault is not None:
        faults[WHOLE_LIST] = [fault]
    else:
        for one in ticked:
            if wrong := _enter(request, resources, key, one, changed_at, zone):
                today = datetime.fromtimestamp(resources.clock() / 1e6, zone).date()
                faults[one.name] = [_with_right_day(fault, one, fields, today) for fault in wrong]
    untaken = {tick.name for tick in ticked if tick.name in faults or WHOLE_LIST in faults}
    taken = [tick for tick in ticked if tick.name not in untaken]
    asked = _in_question(request, resources, key, taken)
    faults |= _unticked(fields, _days_of(request, resources, key, fields), {tick.name for tick in ticked})
    if not faults and not ticked:
        faults[WHOLE_LIST] = [TickFault("done", "nothing_ticked", "")]
    if not faults:
        return see_other(_back_with(_back(fields), sent=len(taken), question=asked))
    return _again(request, resources, key, fields, faults, untaken, status=422, sent=len(taken), asked=asked)


@router.post("/work-list/taken-back")
def post_taken_back(request: Request, resources: R, key: WorkWriter, fields: Fields) -> Response:
    """Take a tick back; one that was taken back before stays so."""
    machine, housing, entry_id = (str(fields.get(name, "")) for name in ("machine", "housing", "entry_id"))
    changed_at = str(fields.get("changed_at", ""))
    try:
        parse_instant(changed_at)
    except ValueError:
        about = {"day": changed_at[:40], "time": ""}
        raise NotValid(Complaint("changed_at", "not_a_day_and_time", **about)) from None
    try:
        delete_element_change(machine, request, changed_at, resources, key, housing, entry_id or None)
    except Refused as refused:
        if refused.code != "unknown_element_change":
            raise
    return see_other(_back_with(_back(fields), taken_back="true"))


@router.post("/work-list/move")
def post_move(request: Request, resources: R, key: WorkWriter, fields: Fields) -> Response:
    """Put a machine on another day, or back on the day of the forecast."""
    machine, housing, seen = [*str(fields.get("move", "")).split("/"), "", ""][:3]
    on = str(fields.get(f"on/{machine}/{housing}", ""))
    zone = _zone(request, key)
    try:
        if on:
            note = _note_of_plan(resources, key, machine, housing)
            why = because(sayer_of(request, key), on, fields, f"{MEANT}/{machine}/{housing}")
            plan = NewPlan(
                on=on, housing=housing, zone=zone.key, note=note, seen=seen or None, confirmed_because=why
            )
            post_planned_change(machine, plan, request, resources, key)
        else:
            delete_planned_change(machine, request, resources, key, housing, seen or None)
    except ValidationError as wrong:
        raise Refused("not_a_day_of_the_list", status=422, code="not_valid", on=on[:40]) from wrong
    except Refused as refused:
        asked = field_faults(refused)
        if refused.code == "planned_since":
            fault = TickFault("on", refused.case, on, values=refused.values)
        elif is_asked_about(asked):
            fault = TickFault("on", DAY_ASKED, on, asked, {"move": str(fields.get("move", ""))})
        else:
            raise
        ticks = {ticked.name for ticked in _ticked(fields)}
        faults = {f"{machine}/{housing}": [fault]}
        return _again(request, resources, key, fields, faults, ticks, status=refused.status)
    return see_other(f"{_back(fields)}#{machine}")


def _back(fields: Fields) -> str:
    """The list that a person came from."""
    return own_path(str(fields.get("back", "/work-list")))


def _back_with(back: str, question: Sequence[str] = (), **said: int | str) -> str:
    """The list that a person came from, with what was done now; nothing (0): without a word on it."""
    address, _, query = back.partition("?")
    asked = [one for one in parse_qsl(query, keep_blank_values=True) if one[0] not in SAID]
    asked += [(name, str(value)) for name, value in said.items() if value]
    asked += [("question", name) for name in question]
    return f"{address}?{urlencode(asked)}#done" if asked else f"{address}#done"


def _note_of_plan(resources: R, key: Key, machine: str, housing: str) -> str:
    """What somebody noted beside the planned day: it stays when the day moves."""
    with resources.reading() as connection:
        planned = planned_of(connection, find_housing(connection, key, machine, housing))
    return "" if planned is None else planned.note


# ---------------------------------------------------------------- ticks


def _ticked(fields: Fields) -> Iterator[TickedJob]:
    """What was ticked: each box has the machine, its housing and the id of the entry."""
    for value in fields.getlist("done"):
        machine, housing, entry_id = [*str(value).split("/"), "", ""][:3]
        name = f"{machine}/{housing}"
        yield TickedJob(
            machine,
            housing,
            entry_id,
            *(str(fields.get(f"{field}/{name}", "")).strip() for field in TICK_FIELDS),
        )


def _in_right_years(fields: FormData) -> FormData:
    """The form with each day in the year for which its button was pressed."""
    right = {
        name.replace(RIGHT_DAY, "changed_at", 1): str(day)
        for name, day in fields.multi_items()
        if name.partition("/")[0] == RIGHT_DAY
    }
    return FormData(
        [
            (name, in_right_year(str(value), right[name]) if name in right else value)
            for name, value in fields.multi_items()
        ]
    )


def _with_right_day(fault: TickFault, tick: TickedJob, fields: FormData, today: date) -> TickFault:
    """A fault with the day that can be meant, and its button: for this row, or the whole list."""
    button, written = f"{RIGHT_DAY}/{tick.name}", tick.changed_at
    if not written:
        button, written = RIGHT_DAY, str(fields.get("changed_at", ""))
    found = right_day(fault.said, written, today, done_in) if fault.field == "changed_at" else None
    return fault if found is None else fault._replace(values={"button": button, "right_day": found})


def _days_of(request: Request, resources: R, key: Key, fields: Fields) -> dict[str, str]:
    """Machine and housing -> the day on which it stands, of the list that a person came from."""
    kept = {name: str(value) for name, value in fields.multi_items() if isinstance(value, str)}
    wanted = ListWanted.of_form(kept)._asdict()
    jobs = get_work(request, resources, key, zone=_zone(request, key).key, **wanted)["jobs"]
    return {f"{job['machine']}/{job['housing']}": job["day"] for job in jobs}


def _unticked(fields: Fields, days: Mapping[str, str], ticked: Set[str]) -> dict[str, list[TickFault]]:
    """Rows in which something was written, and that are not ticked: it must not vanish without a word."""
    found: dict[str, list[TickFault]] = {}
    for name in days.keys() - ticked:
        written = [str(fields.get(f"{field}/{name}", "")).strip() for field in WRITTEN_FIELDS]
        on = str(fields.get(f"on/{name}", ""))
        if any(written):
            found[name] = [TickFault("done", "not_ticked", "")]
        if on and on != days[name]:
            found.setdefault(name, []).append(TickFault("on", "not_moved", on))
    return dict(sorted(found.items()))


def _enter(
    request: Request, resources: R, key: Key, ticked: TickedJob, changed_at: str | None, zone: ZoneInfo
) -> list[TickFault]:
    """Enter one tick. Returns all that is wrong with it; empty: it was taken, or it is there already."""
    own_at, fault = _changed_at(ticked.changed_at, zone)
    wrong = [*([] if fault is None else [fault]), *_wrong_in(ticked)]
    if wrong:
        return wrong
    try:
        at = own_at or changed_at or _entered_at(request, resources, key, ticked)
        body = _change(ticked, at or instant_text(resources.clock()))
        enter_change(request, resources, key, ticked.machine, body)
    except ValidationError as error:
        return [TickFault("meter", "not_valid", ticked.meter, field_faults(error))]
    except Refused as refused:
        pointers = {complaint.pointer for complaint in refused.errors}
        field = next((field for pointer, field in POINTERS.items() if pointer in pointers), "done")
        code = refused.code if refused.code == "change_differs" else "refused"
        return [TickFault(field, code, ticked.meter, field_faults(refused))]
    return []


def _wrong_in(ticked: TickedJob) -> Iterator[TickFault]:
    """What in the fields of a row cannot be read."""
    if ticked.what not in WORK_DONE:
        yield TickFault("what", "what", ticked.what)
    for field in ("meter", "gauge"):
        written = getattr(ticked, field)
        try:
            _number(ticked, field)
        except Refused as refused:
            yield TickFault(field, "refused", written, field_faults(refused))


def _entered_at(request: Request, resources: R, key: Key, ticked: TickedJob) -> str | None:
    """When a tick that came before was entered for; None: it is new."""
    known = get_element_changes(ticked.machine, request, resources, key, ticked.housing)["element_changes"]
    return next((change["changed_at"] for change in known if change["entry_id"] == ticked.entry_id), None)


def _in_question(request: Request, resources: R, key: Key, ticked: Iterable[TickedJob]) -> list[str]:
    """Machine and housing of the ticks that became a question, the first MOST_SAID."""
    return [tick.name for tick in ticked if _is_question(request, resources, key, tick)][:MOST_SAID]


def _is_question(request: Request, resources: R, key: Key, ticked: TickedJob) -> bool:
    known = get_element_changes(ticked.machine, request, resources, key, ticked.housing)["element_changes"]
    return any(change["is_question"] for change in known if change["entry_id"] == ticked.entry_id)


def _questions(
    request: Request, resources: R, key: Key, asked: Sequence[str], say: Sayer
) -> Iterator[dict[str, Any]]:
    """What the ticks of these machines and housings are asked, for the page; what is settled is left out."""
    for name in asked:
        machine, housing = [*name.split("/"), "", ""][:2]
        try:
            known = get_element_changes(machine, request, resources, key, housing)["element_changes"]
        except Refused:  # the address was altered, or the machine is another's by now
            continue
        for change in (change for change in known if change["is_question"]):
            yield {"machine": machine, "housing": housing, "verdict": said(say, change["said"])}


def _change(ticked: TickedJob, changed_at: str) -> NewChange:
    """A tick as the body of the route. Raises ValidationError."""
    gauge = _number(ticked, "gauge")
    return NewChange(
        changed_at=changed_at,
        note="",
        confirmed_because="",
        housing=ticked.housing,
        entry_id=ticked.entry_id,
        what=ticked.what,  # type: ignore[arg-type]  # the model checks it
        part=None,
        meter_hours=_number(ticked, "meter"),
        gauge=None if gauge is None else GaugeShowing(value=gauge, unit=ticked.unit or "kPa", latched=None),
    )


def _number(ticked: TickedJob, field: str) -> float | None:
    """The number in a field of a row, as every form reads it; None: it is empty. Raises Refused (422)."""
    written: str = getattr(ticked, field).strip()
    return (
        number_of_text(written, field, (ticked.unit or "kPa") if field == "gauge" else "")
        if written
        else None
    )


def _changed_at(written: str, zone: ZoneInfo) -> tuple[str | None, TickFault | None]:
    """When the work was done, as a person wrote it in their zone; None: they wrote nothing."""
    written = written.strip()
    if not written:
        return None, None
    try:
        at = datetime.fromisoformat(written).replace(tzinfo=zone)
    except ValueError:
        return None, TickFault("changed_at", "changed_at", written[:40])
    return instant_text(round(at.timestamp()) * 1_000_000), None


def _zone(request: Request, key: Key) -> ZoneInfo:
    return viewer_of(request, key).zone


# ---------------------------------------------------------------- the page


def _again(
    request: Request,
    resources: R,
    key: Key,
    fields: Fields,
    faults: Mapping[str, Sequence[TickFault]],
    ticks: Set[str],
    *,
    status: int,
    sent: int = 0,
    asked: Sequence[str] = (),
) -> Response:
    """The list that a person came from, with what is wrong and all that they entered. sent : ticks taken."""
    kept = {name: str(value) for name, value in fields.multi_items() if isinstance(value, str)}
    return _page(
        request,
        resources,
        key,
        ListWanted.of_form(kept),
        faults,
        kept | {"ticks": ticks},
        status=status,
        sent=sent,
        asked=asked,
    )


def _page(
    request: Request,
    resources: R,
    key: Key,
    wanted: ListWanted,
    faults: Mapping[str, Sequence[TickFault]],
    kept: Mapping[str, Any],
    *,
    status: int = HTTPStatus.OK,
    sent: int = 0,
    taken_back: bool = False,
    asked: Sequence[str] = (),
) -> Response:
    services, zone = services_of(request), _zone(request, key).key
    now_s = resources.clock() / 1e6
    if (refused := refused_end(wanted, now_s, zone)) is not None:
        wanted, status = wanted._replace(before=None), HTTPStatus.UNPROCESSABLE_ENTITY
    days_listed = list_days(now_s, wanted.before, zone)
    with resources.reading() as connection:
        require_known(connection, key, site=wanted.site, crew=wanted.crew)
        judge = services.judge(connection, key)
        every = on_list(connection, judge, key, days_listed)  # once for both: it judges the whole fleet
        work = work_document(connection, judge, key, every, days_listed, site=wanted.site, crew=wanted.crew)
        may_move = may(key, "changes:write")
        visits = known_visits(connection, services.plans, key, every, days_listed) if may_move else {}
    shop = get_shop(resources, key)
    say = sayer_of(request, key)
    days, names, who = WrittenDays(say.formats), names_of(shop), WhoNames(resources.reading, key, say)
    sentences = WorkSentences(say, on=days.of, name_of=who, sites=names["site"])
    return render(
        request,
        "work.html",
        key=key,
        status=status,
        sent=sent,
        taken_back=taken_back,
        questions=list(_questions(request, resources, key, asked, say)),
        here=wanted.address,
        files=file_addresses(wanted.address),
        work=work,
        wanted=wanted,
        refused_end=refused,
        shop=shop,
        names=names,
        days=[(day, list(jobs)) for day, jobs in groupby(work["jobs"], key=lambda job: job["day"])],
        whole=days.of,
        in_full=days.in_full,
        sentences=sentences,
        lacking=sum(sentences.lacks_part(job) for job in work["jobs"]),
        not_listed=sentences.not_listed,
        resting_said=partial(resting_said, say),
        day_options=DayOptions(WorkSentences(say.plain, on=days.of), days.of),
        visits=visits,
        safety_said=safety_said,
        until=days.of((date.fromisoformat(work["before"]) - timedelta(days=1)).isoformat()),
        missing=[part for part in work["parts"] if part["to_order"]],
        done=[(entry, said(say, entry["said"])) for entry in work["done"]],
        entry_ids={
            f"{job['machine']}/{job['housing']}": f"work-{round(now_s * 1_000_000)}-{number}"
            for number, job in enumerate(work["jobs"], 1)
        },
        faults=faults,
        asks_day=any(fault.code == DAY_ASKED for wrong in faults.values() for fault in wrong),
        listed_names={f"{job['machine']}/{job['housing']}" for job in work["jobs"]},
        field_words=FIELD_WORDS,
        chance_said=chance_said,
        kept=kept,
        work_done=WORK_DONE,
    )
