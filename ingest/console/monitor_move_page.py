"""
Move a monitor to a machine: at once where no other sits there, else after asking what it replaces.

Its JSON twin is `POST /v1/devices/{device}/assignments`.
Promises: a machine that has monitors gets another one only in the place that a person chose; the page says
who sits where, since when they were silent, and which machine is left without one.
Leaves to others: the other acts (`monitors_page`), what moves with a monitor (`ingest.owners.seating`).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, NamedTuple

from fastapi import Depends, Request, Response
from starlette.datastructures import FormData

from cleanside.ingest.api.routes.devices import NewAssignment, get_device, post_device_assignment
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, get_machine
from cleanside.ingest.api.routes.shared import PathName, R
from cleanside.ingest.console.forms import (
    FAULTS,
    fault_of,
    is_sure,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.monitors_page import (
    MistypedForm,
    back_to,
    monitor_page,
    require_plugged,
    shown,
)
from cleanside.ingest.console.rendering import render
from cleanside.ingest.console.routing import Fields, page_needs, page_router
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.store.keys import Key

router = page_router()

SeatWriter = Annotated[Key, Depends(page_needs("seats:write"))]


class SeatPlace(NamedTuple):
    """Where a monitor may come on a machine."""

    housing: str
    replaces: str  # the monitor that leaves; "": none
    beside: tuple[dict[str, Any], ...]  # monitors that stay at the housing, as `monitors_page.shown`

    @property
    def value(self) -> str:
        """As the form sends it; names have no slash."""
        return f"{self.housing}/{self.replaces}"


@router.post("/monitors/{device}/seat")
def post_seat_form(
    device: PathName, request: Request, resources: R, key: SeatWriter, fields: Fields
) -> Response:
    """Put a monitor on a machine, from now on; a machine that has some is asked about first."""
    given = {name: trimmed_field(fields, name) for name in ("machine", "housing")}
    given["housing"] = given["housing"] or DEFAULT_HOUSING
    try:
        require_plugged(fields)
        if not is_sure(fields) and (places := list(seat_places(given["machine"], device, resources, key))):
            return _ask(request, resources, key, device, given["machine"], places)
        body = given | _chosen(fields, given["machine"])
        post_device_assignment(device, read_form(NewAssignment, body), resources, key)
    except FAULTS as error:
        refused = MistypedForm(fault_of(error), given)
        return monitor_page(device, request, resources, key, refused=refused)
    return back_to(device)


def _chosen(fields: FormData, machine: str) -> dict[str, Any]:
    """The place that was chosen, and who leaves it; nothing where nothing was asked."""
    if not is_sure(fields):
        return {}
    housing, slash, replaces = text_of_field(fields, "place").partition("/")
    if not slash:
        raise NotValid(Complaint("place", "place_not_chosen", machine=machine))
    return {"housing": housing, "replaces": [replaces] if replaces else []}


def seat_places(machine: str, device: str, resources: R, key: Key) -> Iterator[SeatPlace]:
    """Every place on a machine; none where no other monitor sits there."""
    papers = get_machine(machine, resources, key)
    sitting = {
        housing["housing"]: tuple(
            shown(get_device(seat["device"], resources, key))
            for seat in housing["devices"]
            if seat["until"] is None and seat["device"] != device
        )
        for housing in papers["housings"]
    }
    if not any(sitting.values()):
        return
    for housing, monitors in sitting.items():
        for one in monitors:
            yield SeatPlace(housing, one["device"], tuple(other for other in monitors if other is not one))
        yield SeatPlace(housing, "", monitors)


def _ask(
    request: Request, resources: R, key: Key, device: str, machine: str, places: list[SeatPlace]
) -> Response:
    """Which monitors the machine has, and which of them this one replaces, or beside which it comes."""
    return render(
        request,
        "monitor_move.html",
        key=key,
        device=device,
        machine=machine,
        seats_there=places,
        monitors={one["device"]: one for place in places for one in place.beside},
        seat=shown(get_device(device, resources, key))["seat"],
    )
