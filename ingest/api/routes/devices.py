"""Devices: registration, seats on housings, and their state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Response
from fastapi import Request as HttpRequest
from pydantic import Field

from cleanside.ingest.api.routes.described_fleet import (
    AssignedAnswer,
    DeviceAnswer,
    DeviceEditedAnswer,
    DevicesAnswer,
    RegisteredAnswer,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing, refuse_if_asked
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.restriction import key_ended
from cleanside.ingest.api.routes.seats import STARTS, WITH_HISTORY, assigned_document, cautions_of, order_of
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    At,
    ConfirmedBecause,
    Name,
    NewName,
    PathName,
    R,
    Strict,
    needs,
    problems,
    router_of,
    shown,
    text,
    us,
)
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.checking.plausible_time import DAY_US, HISTORY_US
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners import asked_first, seating
from cleanside.ingest.owners.access import BOUND_ROLES, require, sees_device
from cleanside.ingest.owners.claims import require_claim
from cleanside.ingest.owners.enrolment import put_in_service
from cleanside.ingest.owners.reach import reach_of, sees_machine
from cleanside.ingest.owners.seating import SeatOrder
from cleanside.ingest.store import audit, fleet, keyless, keys, reports, streams
from cleanside.ingest.store.fleet import Assignment, DeviceRow, HousingRow
from cleanside.ingest.store.keyless import Keyless
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("devices")

MOST_REPLACED = 8  # of one housing; chosen

Reader = Annotated[Key, Depends(needs("fleet:read"))]
FleetWriter = Annotated[Key, Depends(needs("fleet:write"))]
SeatWriter = Annotated[Key, Depends(needs("seats:write"))]


class NewDevice(Strict):
    """A device, and its seat if that is known."""

    device: NewName = Field(examples=["grader-07-intake"])
    in_service_at: At | None = Field(
        None, description="earlier readings are quarantined: time_before_service"
    )
    history_from: At | None = Field(
        None,
        description=(
            "for recorded history: readings from this instant on may be true, though the device is "
            f"registered later; left out: {HISTORY_US // DAY_US} days before it was registered, or "
            "in_service_at. Admin only"
        ),
    )
    machine: Name | None = None
    housing: Name = DEFAULT_HOUSING
    assigned_from: At | None = Field(None, description=STARTS)
    with_history: bool = Field(False, description=WITH_HISTORY)
    confirmed_because: ConfirmedBecause = ""


class DeviceEdit(Strict):
    """A change of a device."""

    retired: bool = Field(description="true: out of use; false: in use again")


class NewAssignment(Strict):
    """A seat on a housing from ... until."""

    machine: Name
    housing: Name = DEFAULT_HOUSING
    assigned_from: At | None = Field(None, description=STARTS)
    assigned_until: At | None = Field(
        None, description="without assigned_from it ends the time on this housing; left out: open"
    )
    with_history: bool = Field(False, description=WITH_HISTORY)
    replaces: list[Name] = Field(
        default_factory=list,
        max_length=MOST_REPLACED,
        description="devices that sit on this housing now and leave it when this one comes; others stay "
        "beside it",
    )


@router.post(
    "/v1/devices",
    summary="Register a device",
    response_model=RegisteredAnswer,
    responses=problems(404, 409),
)
@example({"device": "{device}", "machine": "{machine}", "housing": "{housing}"})
def post_device(body: NewDevice, request: HttpRequest, resources: R, key: FleetWriter) -> dict[str, Any]:
    """
    Register a device. Its earlier readings are in quarantine at its owner; they are checked and stored now.

    An integrator's key is bound to the devices it registers. It may register names that no other key has to
    do with: none is bound to it, has posted for it, or has an open code for it.
    A device that sits elsewhere now, and a new name that is there already but for its capital letters, are
    asked about (422): say by `confirmed_because` why it is meant. A move with `assigned_from` or
    `with_history` is not, nor is `POST /v1/devices/{device}/assignments`.
    """
    if body.history_from is not None:
        require(key, "history:write")

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        require_claim(connection, key, body.device, now_us)
        housing = order = None
        if body.machine is not None:
            housing = find_housing(connection, key, body.machine, body.housing)
            order = order_of(body, housing, key.handle)
        _ask_first(connection, key, body, order, now_us)
        done = put_in_service(
            connection,
            key.owner_id,
            body.device,
            seat=order,
            in_service_us=us(body.in_service_at),
            history_from_us=us(body.history_from),
            now_us=now_us,
        )
        if key.role in BOUND_ROLES:
            keys.bind(connection, key.id, [body.device])
        audit.note(connection, key.owner_id, now_us, key.handle, "device", body=body.model_dump(mode="json"))
        return _document(connection, _reload(connection, key, body.device), key, now_us) | {
            "claimed": done.claimed,
            "assigned": assigned_document(housing, done.seated),
            "cautions": cautions_of(done.seated),
        }

    answer = resources.writer.call(save)
    services_of(request).keyring.forget()  # a binding may be new
    return answer


def _ask_first(
    connection: sa.Connection, key: Key, body: NewDevice, order: SeatOrder | None, now_us: int
) -> None:
    """Raise NotValid for what may be a slip. order : None, no housing."""
    asked = [
        *asked_first.too_far_ahead("in_service_at", us(body.in_service_at), now_us),
        *asked_first.too_far_ahead("history_from", us(body.history_from), now_us),
    ]
    if not body.confirmed_because:
        asked += asked_first.of_device_name(connection, key, body.device)
        if order is not None:
            asked += asked_first.of_seat(connection, key, body.device, order)
    refuse_if_asked(asked)


@router.post(
    "/v1/devices/{device}/assignments",
    summary="Put a device on a housing",
    response_model=AssignedAnswer,
    responses=problems(404),
)
@example({"machine": "{machine}", "housing": "{housing}"}, plain="replaces")  # sought among its monitors
def post_device_assignment(
    device: PathName, body: NewAssignment, resources: R, key: SeatWriter
) -> dict[str, Any]:
    """
    Seat a device on a housing for a span, or end its seat. Readings follow their time of measurement.

    A device that sat elsewhere starts now; give a date, or with_history, to move readings. The answer says
    which housings lose it, and for how many hours with readings. Who is for some sites moves devices within
    them; one that sat at another site before, from now on only.
    """

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        found, is_whole = _device_reached(connection, key, device)
        if not is_whole and (body.with_history or body.assigned_from is not None):
            raise Refused("beyond_sites", status=403, code="site_not_yours")
        housing = find_housing(connection, key, body.machine, body.housing)
        order = order_of(body, housing, key.handle, _replaced(connection, housing, body, device))
        seated = seating.seat(connection, found, order, now_us)
        if found.retired_us is not None:  # a device that is assigned to a machine is in use again
            found = fleet.retire(connection, found, None)
        about = {"device": device, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "assignment", **about)
        return _document(connection, found, key, now_us, is_whole=is_whole) | {
            "assigned": assigned_document(housing, seated),
            "cautions": cautions_of(seated),
        }

    return resources.writer.call(save)


@router.patch(
    "/v1/devices/{device}",
    summary="Retire a device",
    response_model=DeviceEditedAnswer,
    responses=problems(404),
)
@example({"retired": False})
def patch_device(device: PathName, body: DeviceEdit, resources: R, key: FleetWriter) -> dict[str, Any]:
    """
    Take a device out of use, or into use again. Its readings stay.

    Its seat ends now. Readings that arrive late are stored, so its keys stay valid: revoke
    the keys in the answer once its backlog has arrived.
    """

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        found = device_for(connection, key, device)
        if body.retired and found.retired_us is None:
            seating.end_all(connection, found, now_us, key.handle)
        edited = fleet.retire(connection, found, (found.retired_us or now_us) if body.retired else None)
        about = {"device": device, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "device_edited", **about)
        bound = keys.of_device(connection, key.owner_id, device)
        valid = [k.handle for k in bound if k.role == "device" and k.state(now_us) == keys.VALID]
        cautions = shown_cautions("moved") if body.retired else []
        return _document(connection, edited, key, now_us) | {"valid_keys": valid, "cautions": cautions}

    return resources.writer.call(save)


@router.get(
    "/v1/devices", summary="Devices", responses=shown(DevicesAnswer, tagged=True), response_class=Response
)
def get_devices(request: HttpRequest, resources: R, key: Reader, page: P) -> Response:
    """Devices that the key may see, by name, unregistered ones too."""
    documents, cursor = list_devices(resources, key, page)
    return page_answer(request, "devices", documents, cursor)


def list_devices(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of devices, and the cursor of the next."""
    (after,) = page.after(str) or (None,)
    with resources.reading() as connection:
        found, reach = fleet.devices_of(connection, key.owner_id, after=after), reach_of(connection, key)
        shown, cursor = page.cut((d for d in found if reach.sees(d.name)), lambda d: (d.name,))
        refused = keyless.keyless_devices(connection, key.owner_id, resources.clock())
        documents = [
            _plain_document(connection, d, key, refused, is_whole=d.name not in reach.here) for d in shown
        ]
    return documents, cursor


@router.get(
    "/v1/devices/{device}", summary="One device", response_model=DeviceAnswer, responses=problems(404)
)
def get_device(device: PathName, resources: R, key: Reader) -> dict[str, Any]:
    """
    A device, its seats past and present, and its streams.

    Of a device that sat at other sites before, who is for some sites sees its seats at these alone.
    """
    with resources.reading() as connection:
        found, is_whole = _device_reached(connection, key, device)
        return _document(connection, found, key, resources.clock(), is_whole=is_whole)


def _device_reached(connection: sa.Connection, key: Key, name: str) -> tuple[DeviceRow, bool]:
    """A device that the key reaches, and whether whole. Raises NotFound."""
    device, reach = fleet.device(connection, key.owner_id, name), reach_of(connection, key)
    if device is None or not reach.sees(name):
        raise NotFound("device", name)
    return device, name not in reach.here


def _replaced(
    connection: sa.Connection, housing: HousingRow, body: NewAssignment, device: str
) -> tuple[int, ...]:
    """The devices that leave, by id. Raises Refused (422) for one that sits elsewhere, or comes."""
    seats = fleet.assignments_of_housing(connection, housing.id)
    sitting = {
        seat.device: seat.device_id for seat in seats if seat.until_us is None and seat.device != device
    }
    for name in body.replaces:
        if name not in sitting:
            names = {"device": name, "machine": housing.machine, "housing": housing.name}
            raise NotValid(Complaint("#/replaces", "device_not_on_housing", **names))
    return tuple(sitting[name] for name in body.replaces)


def device_for(connection: sa.Connection, key: Key, name: str) -> DeviceRow:
    """A device that the key may see. Raises NotFound."""
    device = fleet.device(connection, key.owner_id, name)
    if device is None or not sees_device(key, name):
        raise NotFound("device", name)
    return device


def _reload(connection: sa.Connection, key: Key, name: str) -> DeviceRow:
    device = fleet.device(connection, key.owner_id, name)
    assert device is not None
    return device


def _document(
    connection: sa.Connection, device: DeviceRow, key: Key, now_us: int, *, is_whole: bool = True
) -> dict[str, Any]:
    refused = keyless.keyless_devices(connection, key.owner_id, now_us)
    return _plain_document(connection, device, key, refused, is_whole=is_whole)


def _plain_document(
    connection: sa.Connection, device: DeviceRow, key: Key, refused: Mapping[int, Keyless], *, is_whole: bool
) -> dict[str, Any]:
    """is_whole : False, seats at the key's sites alone, and nothing of what it measured."""
    return {
        "device": device.name,
        "registered_at": text(device.registered_us),
        "in_service_at": text(device.in_service_us),
        "history_from": text(device.history_from_us),
        "retired_at": text(device.retired_us),
        "assignments": [
            {
                "machine": seat.machine,
                "housing": seat.housing,
                "from": text(seat.from_us),
                "until": text(seat.until_us),
            }
            for seat in fleet.assignments_of_device(connection, device.id)
            if seat.from_us is None or seat.from_us != seat.until_us
            if is_whole or _is_at_sites(connection, key, seat)
        ],
        "streams": [
            {
                "stream": s.stream,
                "acknowledged_through": s.mark,
                "highest": s.highest,
                "appended_through": s.appended_through,
                "last_heard_at": text(s.last_heard_us),
                "gateway_version": s.gateway_version,
                "reported": [_reported(r) for r in reports.reported(connection, s.id)],
            }
            for s in (streams.of_device(connection, device.id) if is_whole else ())
        ],
        "key_ended": key_ended(refused[device.id]) if device.id in refused else None,
    }


def _is_at_sites(connection: sa.Connection, key: Key, seat: Assignment) -> bool:
    machine = fleet.machine(connection, key.owner_id, seat.machine)
    return machine is not None and sees_machine(connection, key, machine)


def _reported(found: reports.Reported) -> dict[str, Any]:
    return {
        "kind": found.kind,
        "event": found.name or None,
        "times": found.times,
        "whole": found.whole,
        "first_at": text(found.first_us),
        "last_at": text(found.last_us),
    }
