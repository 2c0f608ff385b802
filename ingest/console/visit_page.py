"""The page Visit: the technician's job at a machine, on a phone first; and what is entered there."""

from __future__ import annotations

import base64
import re
import uuid
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import Depends, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException

from cleanside.gateway.units import QUANTITIES, to_si
from cleanside.gateway.wire import instant_text
from cleanside.ingest.api.routes.element_changes import get_element_changes
from cleanside.ingest.api.routes.entries import NewEntry, post_entry
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, PathName, R
from cleanside.ingest.cautions import SITUATIONS
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.forms import as_typed, number_of_text, read_form
from cleanside.ingest.console.machine_names import known_machines
from cleanside.ingest.console.pdf import can_make, pdf_of
from cleanside.ingest.console.rendering import document_of, formats_of, render, sayer_of
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other, wants_json
from cleanside.ingest.console.said_words import entry_said
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.console.visit_refusal import RefusedEntry, refused_entry
from cleanside.ingest.console.visit_seen import INSTALLATION, SERVICE, installation_of, see
from cleanside.ingest.console.visit_sheet import STEPS
from cleanside.ingest.console.who_names import WhoNames
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.restriction.verdict.installation import BY_HAND, TERMINAL_PA, HandRule
from cleanside.ingest.shop.machine_sheet import MOST_METER_H
from cleanside.ingest.store import fleet, plate_photos
from cleanside.ingest.store.keys import Key

router = page_router()

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
Writer = Annotated[Key, Depends(page_needs("entries:write"))]
Job = Literal["installation", "service"] | None

MOST_MACHINES = 500  # of the list; chosen: beyond that a name is quicker typed than found
GAUGE_UNITS_SHOWN = ("kPa", "inH2O", "mbar", "mmH2O", "cmH2O", "mmHg", "inHg", "psi")
#: unit of an instrument, whatever is compared
HAND_UNITS = (*GAUGE_UNITS_SHOWN, "hPa", "V", "s")
METER_FIELDS = ("meter_hours", "old_meter_hours", "new_meter_began_hours")
#: kind of entry -> its fields
FIELDS: Mapping[str, tuple[str, ...]] = {
    "terminal_restriction": ("value", "unit", "housing"),
    "second_reading": ("value", "unit", "housing"),
    "element_change": ("what", "changed_at", *METER_FIELDS, "note", "housing"),
    "plate_photo": ("jpeg", "housing"),
    "hand_comparison": ("subject", "value", "unit", "compared_with", "housing"),
    "meter_reading": METER_FIELDS,
    "gauge_reading": ("value", "unit", "source", "latched", "housing"),
    "correction": ("of", "changed_at", "to_machine", "to_housing", "because", "housing"),
    "take_back": ("of", "housing"),
}
_NUMBER = re.compile(r"[+\-\N{MINUS SIGN}]?\d{1,9}([.,]\d{1,6})?", re.ASCII)


@router.get("/visit")
def get_visits(request: Request, resources: R, key: Reader, q: str = "") -> Response:
    """Machines to pick from. q : a part of a name or kind."""
    wanted = q.strip().casefold()
    fit = [
        m
        for m in known_machines(resources, key)
        if wanted in f"{m.name} {m.display_name or ''} {m.kind}".casefold()
    ]
    return render(request, "visits.html", key=key, machines=fit[:MOST_MACHINES], asked=q.strip())


@router.get("/phone/pages")
def get_pages_of_phone(resources: R, key: Reader) -> Response:
    """The pages that a technician's phone keeps, so that they open without a link: both jobs everywhere."""
    seen = known_machines(resources, key)
    with resources.reading() as connection:
        housings = [housing for machine in seen for housing in fleet.housings_of(connection, machine.id)]
    pages = [_visit_address(h.machine, h.name, job) for h in housings for job in (SERVICE, INSTALLATION)]
    own = [_visit_address(h.machine, h.name) for h in housings]
    return JSONResponse({"stays": ["/visit", "/work-list", *own, *pages]})


@router.get("/phone/absent")
def get_absent_page(request: Request, key: Reader) -> Response:
    """What a phone shows without a link in place of a page that it does not keep (`static/worker.js`)."""
    return render(request, "absent.html", key=key)


def _visit_address(machine: str, housing: str, job: str | None = None) -> str:
    asked = {"housing": housing} if housing != DEFAULT_HOUSING else {}
    query = urlencode(asked if job is None else asked | {"job": job})
    return f"/visit/{machine}" + (f"?{query}" if query else "")


@router.get("/visit/{machine}")
def get_visit(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Name = DEFAULT_HOUSING,
    job: Job = None,
    done: Name | None = None,
) -> Response:
    """What is seen at one housing, what to do, and whether to stay. done : what was just entered."""
    seen = see(request, key, machine, housing, job)
    return _visit_page(request, resources, key, seen, done=done)


def _visit_page(
    request: Request,
    resources: R,
    key: Key,
    seen: Mapping[str, Any],
    *,
    done: str | None = None,
    refusal: RefusedEntry | None = None,
) -> Response:
    """The page of what is seen. refusal : of the entry that was just sent."""
    found = seen["housing"]
    with resources.reading() as connection:
        housings = fleet.housings_of(connection, found.machine_id)
        plate_us = plate_photos.made_at(connection, found.id)
    return render(
        request,
        "visit.html",
        key=key,
        status=refusal.status if refusal else 200,
        headers={"Content-Location": _visit_address(found.machine, found.name, seen["job"])},
        refusal=refusal,
        housings=housings,
        machines=known_machines(resources, key)[:MOST_MACHINES],
        plate_s=None if plate_us is None else plate_us / 1e6,
        steps=STEPS[seen["job"]],
        sheet_cautions=SITUATIONS["acceptance"],
        moved_cautions=SITUATIONS["moved"],
        jobs=(INSTALLATION, SERVICE),
        units=GAUGE_UNITS_SHOWN,
        hand_units=HAND_UNITS,
        most_meter_h=round(MOST_METER_H),
        subjects={subject: units_of(rule) for subject, rule in BY_HAND.items()},
        entry_id=str(uuid.uuid4()),
        has_pdf=can_make(),
        done=done if done in FIELDS else None,
        installed=installation_of(request, seen),
        **seen,
    )


def units_of(rule: HandRule) -> tuple[str, ...]:
    """The units of what is compared by hand; none: it is only seen."""
    if rule.quantity is None:
        return ()
    units = QUANTITIES[rule.quantity].units if rule.quantity in QUANTITIES else {"s": 1}
    return tuple(unit for unit in HAND_UNITS if unit in units)


@router.get("/visit/{machine}/plate.jpg")
def get_plate(machine: PathName, resources: R, key: Reader, housing: Name = DEFAULT_HOUSING) -> Response:
    """The newest photo of the plate, for the page."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        photo = plate_photos.newest_of(connection, found.id)
    if photo is None:
        raise HTTPException(404)
    return Response(photo.jpeg, media_type="image/jpeg")


@router.get("/visit/{machine}/sheet.pdf")
def get_sheet(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Name = DEFAULT_HOUSING,
    job: Job = None,
) -> Response:
    """The sheet of the job for the machine's papers, as PDF. 404 where the extra `pdf` is not installed."""
    if not can_make():
        raise HTTPException(404)
    seen = see(request, key, machine, housing, job)
    with resources.reading() as connection:
        photo = plate_photos.newest_of(connection, seen["housing"].id)
    document = document_of(
        request,
        "sheet.html",
        key=key,
        photo=None if photo is None else base64.b64encode(photo.jpeg).decode(),
        plate_s=None if photo is None else photo.made_us / 1e6,
        sheet_cautions=SITUATIONS["acceptance"],
        css_text=css_text,
        installed=installation_of(request, seen),
        **seen,
    )
    headers = {"Content-Disposition": f'inline; filename="{machine}-{seen["job"]}.pdf"'}
    return Response(pdf_of(document), media_type="application/pdf", headers=headers)


def css_text(text: str) -> Markup:
    """A text between quotes of a style sheet; what could end it is an escape (CSS Syntax level 3, 4.3.7)."""
    return Markup("".join(c if c.isalnum() or c in " ,.:" else f"\\{ord(c):06x}" for c in text))


@router.post("/visit/{machine}")
async def post_visit(
    machine: PathName, request: Request, resources: R, key: Writer, fields: Fields
) -> Response:
    """
    Take what a form or the phone's outbox sends, once.

    The outbox asks for JSON and gets the answer of `/v1/entries`; a form without scripts comes back here,
    and with what was entered where it was refused.
    """
    given = {name: value for name, value in fields.items() if isinstance(value, str)}
    try:
        return await _take(machine, request, resources, key, fields, given)
    except (Refused, RequestValidationError) as error:
        refusal = refused_entry(error, given) if given.get("kind") in FIELDS else None
        if wants_json(request) or refusal is None:
            raise
    housing = given.get("housing", DEFAULT_HOUSING)
    seen = await run_in_threadpool(see, request, key, machine, housing, None)
    return await run_in_threadpool(_visit_page, request, resources, key, seen, refusal=refusal)


async def _take(
    machine: str, request: Request, resources: R, key: Key, fields: FormData, given: dict[str, str]
) -> Response:
    """Take the entry of a form and say so, to a script or a person. Raises as `post_entry`."""
    if given.get("person", key.whole_name) != key.whole_name:
        raise Refused("entry_of_another_person", status=401, code="session_ended", person=key.whole_name)
    if isinstance(photo := fields.get("photo"), UploadFile):
        given["jpeg"] = base64.b64encode(await photo.read()).decode()
    formats = formats_of(request, viewer_of(request, key))
    entry = _entry_of(machine, given, instant_text(resources.clock()), formats)
    answer = await run_in_threadpool(post_entry, entry, request, resources, key)
    if wants_json(request):
        asks = await run_in_threadpool(_asked_at, request, key, entry)
        return JSONResponse(answer if asks is None else answer | {"asks": asks})
    housing = given.get("housing", DEFAULT_HOUSING)
    return see_other(f"/visit/{machine}?housing={housing}&done={entry.kind}#entered")


def _asked_at(request: Request, key: Key, entry: NewEntry) -> dict[str, str] | None:
    """What a person is asked of the entry that they just made, and where they answer; None: nothing."""
    if entry.kind != "element_change":
        return None
    resources, say = services_of(request).resources, sayer_of(request, key)
    housing = str(entry.content.get("housing", DEFAULT_HOUSING))
    changes = get_element_changes(entry.machine, request, resources, key, housing)["element_changes"]
    asked = next((c for c in changes if c["entry_id"] == entry.entry_id and c["is_question"]), None)
    if asked is None:
        return None
    said = entry_said(say, asked, WhoNames(resources.reading, key, say)).striptags()
    where = f"/machines/{entry.machine}?{urlencode({'housing': housing})}#question"
    return {"said": said, "where": where, "settle": say.plain("visit.to_settle")}


# ---------------------------------------------------------------- from fields to an entry


def _entry_of(machine: str, given: Mapping[str, str], now: str, formats: Formats) -> NewEntry:
    """The entry of a form. Raises Refused (422), RequestValidationError."""
    kind = given.get("kind", "")
    content: dict[str, Any] = {
        name: text for name in FIELDS.get(kind, ()) if (text := given.get(name, "").strip())
    }
    if kind == "element_change" and given.get("what") == "":
        content["what"] = ""  # nothing was chosen: it must not become the work that a program leaves out
    if "value" in content:
        content["value"] = number_of(content["value"], unit=content.get("unit", ""))
    if kind == "terminal_restriction" and given.get("sure") != "yes":
        _ask_if_unlikely(content)
    for name in content.keys() & set(METER_FIELDS):
        content[name] = number_of_text(content[name], name)
    if kind == "element_change" and (gauge := given.get("gauge", "").strip()):
        unit = given.get("gauge_unit", "")
        content["gauge"] = {"value": number_of(gauge, "gauge", unit), "unit": unit}
    if "latched" in content:
        content["latched"] = content["latched"] == "yes"
    if "changed_at" in content:
        content["changed_at"] = instant_of(content["changed_at"], formats)
    whole = {
        "entry_id": given.get("entry_id", str(uuid.uuid4())),
        "kind": kind,
        "machine": machine,
        "made_at": given.get("made_at", now),
        "sent_at": given.get("sent_at"),
        "content": content,
    }
    return read_form(NewEntry, whole)


def number_of(text: str, name: str = "value", unit: str = "") -> float:
    """
    A number as people type it, with a point or a comma. Nothing is guessed.

    unit : that was chosen, and may stand behind the number. Raises Refused (422).
    """
    bare = as_typed(text, unit)
    if _NUMBER.fullmatch(bare) is None:
        raise NotValid(Complaint(f"#/content/{name}", "value_not_decimal", text=text[:40]))
    return float(bare.replace(",", ".").replace("\N{MINUS SIGN}", "-"))


def _ask_if_unlikely(content: Mapping[str, Any]) -> None:
    """Raise Refused (422) for a limit that no engine maker states, until a person says that it is right."""
    value, unit = content.get("value"), content.get("unit", "")
    if value is None or unit not in QUANTITIES["restriction"].units:
        return  # what is missing or unknown is said by the route
    low_pa, high_pa = TERMINAL_PA
    if not low_pa <= to_si(value, unit, "restriction") <= high_pa:
        about = {"value": value, "unit": unit, "low_kpa": low_pa / 1000, "high_kpa": high_pa / 1000}
        raise NotValid(Complaint("#/content/sure", "limit_unlikely", **about))


def instant_of(text: str, formats: Formats) -> str:
    """A time of a form, in the viewer's zone, as an instant. Raises Refused (422)."""
    try:
        local = datetime.strptime(text, "%Y-%m-%dT%H:%M")  # noqa: DTZ007  # the viewer's zone comes next
    except ValueError:
        raise NotValid(Complaint("#/content/changed_at", "not_a_date_and_time", text=text[:40])) from None
    return instant_text(int(formats.from_local(local) * 1e6))
