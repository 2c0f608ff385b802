"""
Monitors: where each sits, enrol one with a label to print, take it off, retire it; open codes.

Its JSON twins are `GET /v1/devices`, `GET /v1/devices/{device}` and `GET /v1/enrolments`; acts go through the
functions of `POST /v1/enrolments`, `DELETE /v1/enrolments/{enrolment}`,
`POST /v1/devices/{device}/assignments` and `PATCH /v1/devices/{device}`.
Leaves to others: moving one (`monitor_move_page`), what moves with it (`ingest.owners.seating`).
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote, urlencode

import segno
from fastapi import Depends, Path, Query, Request, Response
from markupsafe import Markup
from starlette.datastructures import FormData

from cleanside.gateway.wire import instant_text
from cleanside.ingest.api.routes.devices import (
    DeviceEdit,
    NewAssignment,
    get_device,
    list_devices,
    patch_device,
    post_device_assignment,
)
from cleanside.ingest.api.routes.enrolment import (
    NewEnrolment,
    delete_enrolment,
    open_enrolments,
    post_enrolment,
)
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, get_machine
from cleanside.ingest.api.routes.paging import Page
from cleanside.ingest.api.routes.shared import PathName, R
from cleanside.ingest.api.routes.signed_in import own_address
from cleanside.ingest.cautions import SITUATIONS
from cleanside.ingest.console.code_effect import effect_of
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    is_sure,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.machine_names import known_machines, nearest_machines
from cleanside.ingest.console.rendering import ask_first, may, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.store.keys import Key

router = page_router()

CODES = "/monitors#codes"

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
Writer = Annotated[Key, Depends(page_needs("fleet:write"))]
SeatEnder = Annotated[Key, Depends(page_needs("seats:end"))]
Enroller = Annotated[Key, Depends(page_needs("enrolments:write"))]


@router.get("/monitors")
def get_monitors_page(
    request: Request,
    resources: R,
    key: Reader,
    machine: Annotated[str, Query(max_length=64)] = "",
    housing: Annotated[str, Query(max_length=64)] = DEFAULT_HOUSING,
) -> Response:
    """
    Every monitor, where it sits, when it was last received; and the codes that are not yet used.

    machine, housing : what the form of a new monitor begins with; "": nothing is filled in.
    """
    return _monitors_page(request, resources, key, begun={"machine": machine, "housing": housing})


def _monitors_page(
    request: Request,
    resources: R,
    key: Key,
    refused: MistypedForm | None = None,
    begun: Mapping[str, str] | None = None,
) -> Response:
    devices = every_monitor(resources, key)
    codes = open_enrolments(resources, key) if may(key, "enrolments:write") else []
    return render(
        request,
        "monitors.html",
        key=key,
        devices=devices,
        without_key=sum(one["key_ended"] is not None for one in devices),
        codes=[
            (code, effect_of(code["device"], code["machine"], code["housing"], devices)) for code in codes
        ],
        cautions=SITUATIONS["enrolment"],
        **_form(resources, key, refused, begun),
    )


def every_monitor(resources: R, key: Key) -> list[dict[str, Any]]:
    """The monitors that a key may see, as `shown`, by name."""
    documents, _ = list_devices(resources, key, Page.whole())
    return [shown(document) for document in documents]


@dataclass(frozen=True, slots=True)
class MistypedForm:
    """A form that was refused, and what stood in it."""

    fault: FormFault
    given: Mapping[str, str]


def _form(
    resources: R, key: Key, refused: MistypedForm | None, begun: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """What a form that names a machine shows, and the status of its page. begun : of an empty form."""
    known = known_machines(resources, key)
    given = refused.given if refused else begun or {}
    return {
        "status": refused.fault.status if refused else 200,
        "fault": refused.fault if refused else None,
        "given": given,
        "known": known,
        "nearest": nearest_machines(given.get("machine", ""), known),
    }


@router.get("/monitors/{device}")
def get_monitor_page(
    device: PathName, request: Request, resources: R, key: Reader, done: Annotated[bool, Query()] = False
) -> Response:
    """One monitor: where it sat, what its gateway reported, and what can be done. done : it was, just now."""
    return monitor_page(device, request, resources, key, done=done)


def monitor_page(
    device: str,
    request: Request,
    resources: R,
    key: Key,
    *,
    done: bool = False,
    refused: MistypedForm | None = None,
) -> Response:
    """The page of a monitor, and a form on it that was refused."""
    monitor = get_device(device, resources, key)
    return render(
        request,
        "monitor.html",
        key=key,
        monitor=monitor,
        at=shown(monitor),
        done=done,
        cautions=SITUATIONS["moved"],
        **_form(resources, key, refused),
    )


@router.post("/monitors/codes")
def post_code_form(request: Request, resources: R, key: Enroller, fields: Fields) -> Response:
    """
    Make a one-time code, and show it once on a label to print; the picture on it holds a link, no code.

    One that moves a monitor, or brings a second one to a housing, is made once somebody confirmed it.
    """
    given = {name: trimmed_field(fields, name) for name in ("device", "machine", "note")}
    given["housing"] = trimmed_field(fields, "housing") or DEFAULT_HOUSING
    try:
        body = read_form(NewEnrolment, given)
        get_machine(body.machine, resources, key)
        link = f"{own_address(request)}/visit/{quote(body.machine)}"
        effect = effect_of(body.device, body.machine, body.housing, every_monitor(resources, key))
        if effect.asks and not is_sure(fields):
            cautions = SITUATIONS["moved"]
            return render(request, "code_ask.html", key=key, given=given, effect=effect, cautions=cautions)
        made = post_enrolment(body, resources, key)
    except FAULTS as error:
        return _monitors_page(request, resources, key, MistypedForm(fault_of(error), given))
    picture = picture_of(link)
    return render(request, "label.html", key=key, made=made, effect=effect, link=link, picture=picture)


@router.post("/monitors/codes/{enrolment}/withdrawn")
def post_code_withdrawn(
    enrolment: Annotated[int, Path(ge=1, le=2**53)],
    request: Request,
    resources: R,
    key: Enroller,
    fields: Fields,
) -> Response:
    """Withdraw a code that is not yet used, once somebody confirmed it."""
    if not is_sure(fields):
        which = {"device": trimmed_field(fields, "device")}
        return ask_first(request, key, "monitors.withdraw", "monitors.withdraw_which", back=CODES, **which)
    delete_enrolment(enrolment, resources, key)
    return see_other(CODES)


@router.post("/monitors/{device}/taken-off")
def post_taken_off(device: PathName, resources: R, key: SeatEnder, fields: Fields) -> Response:
    """
    End a monitor's time on its machine now; who takes it off says that the tap is plugged.

    A page that is older than its move takes nothing off. Sent from a visit it leads back there.
    """
    require_plugged(fields)
    seat = shown(get_device(device, resources, key))["seat"]
    if seat is None:
        raise NotValid(Complaint("device", "monitor_on_no_machine", device=device))
    body = {"machine": seat["machine"], "housing": seat["housing"]}
    if any(text_of_field(fields, name) not in ("", at) for name, at in body.items()):
        at, on = seat["machine"], seat["housing"]
        raise NotValid(Complaint("device", "monitor_sits_elsewhere", device=device, machine=at, housing=on))
    body["assigned_until"] = instant_text(resources.clock())
    post_device_assignment(device, read_form(NewAssignment, body), resources, key)
    if text_of_field(fields, "back") == "visit":
        return see_other(f"/visit/{seat['machine']}?{urlencode({'housing': seat['housing']})}")
    return back_to(device)


@router.post("/monitors/{device}/retired")
def post_retired(device: PathName, resources: R, key: Writer, fields: Fields) -> Response:
    """Take a monitor out of use, or into use again."""
    is_retired = text_of_field(fields, "retired") == "yes"
    if is_retired and shown(get_device(device, resources, key))["seat"] is not None:
        require_plugged(fields)
    patch_device(device, DeviceEdit(retired=is_retired), resources, key)
    return back_to(device)


def shown(known: dict[str, Any]) -> dict[str, Any]:
    """A monitor as a row: where it sits now, when it was last received, which gateway."""
    seats = [seat for seat in known["assignments"] if seat["until"] is None]
    newest = max(known["streams"], key=lambda stream: stream["last_heard_at"], default=None)
    return {
        "device": known["device"],
        "seat": seats[-1] if seats else None,
        "last_heard_at": newest and newest["last_heard_at"],
        "gateway_version": newest and newest["gateway_version"],
        "key_ended": known["key_ended"],
        "state": "retired" if known["retired_at"] else "registered" if known["registered_at"] else "unknown",
    }


def picture_of(link: str) -> Markup:
    """A link as a picture that a phone's camera reads (ISO/IEC 18004), for a label."""
    out = io.BytesIO()
    segno.make(link, error="m", micro=False).save(
        out, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=2, svgclass="qr", lineclass=None
    )
    return Markup(out.getvalue().decode())  # of squares alone


def require_plugged(fields: FormData) -> None:
    """Raise Refused (422) unless it was said that the tap which a monitor leaves behind is plugged."""
    if text_of_field(fields, "plugged") != "yes":
        raise NotValid(Complaint("plugged", "tap_not_plugged"))


def back_to(device: str) -> Response:
    """The page of a monitor, after an act."""
    return see_other(f"/monitors/{device}?{urlencode({'done': 'true'})}")
