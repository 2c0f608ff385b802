"""The seat of a device in requests and answers: one shape for enrolment and assignment."""

from __future__ import annotations

from typing import Any, Protocol

from cleanside.ingest import cautions
from cleanside.ingest.api.routes.shared import text, us
from cleanside.ingest.owners.seating import Seated, SeatOrder
from cleanside.ingest.store.fleet import HousingRow

STARTS = "from when the device sits there; left out: now; the first seat of a device covers all its readings"
WITH_HISTORY = "true: earlier readings move too, though the device sat elsewhere"


class SeatBody(Protocol):
    """The members of a body for the seat of a device."""

    assigned_from: str | None
    with_history: bool


def order_of(
    body: SeatBody, housing: HousingRow, who: str | None = None, replaces: tuple[int, ...] = ()
) -> SeatOrder:
    """The order of a body. who : handle of whoever orders it. replaces : ids of devices that leave."""
    return SeatOrder(
        housing_id=housing.id,
        from_us=us(body.assigned_from),
        until_us=us(getattr(body, "assigned_until", None)),
        with_history=body.with_history,
        replaces=replaces,
        who=who,
    )


def assigned_document(housing: HousingRow | None, seated: Seated | None) -> dict[str, Any] | None:
    """The seat of a device by a request; None: the request named no housing."""
    if housing is None or seated is None:
        return None
    return {"machine": housing.machine, "housing": housing.name} | span_document(seated)


def cautions_of(seated: Seated | None) -> list[dict[str, str]]:
    """Cautions for fitting a device, and for the machine that loses it."""
    if seated is None:
        return []
    return cautions.shown("moved" if seated.taken_from else "enrolment")


def span_document(seated: Seated) -> dict[str, Any]:
    """The span of a seat, and the housings that lose the device."""
    return {
        "from": text(seated.from_us),
        "until": text(seated.until_us),
        "taken_from": [
            {
                "machine": taken.machine,
                "housing": taken.housing,
                "from": text(taken.from_us),
                "until": text(taken.until_us),
                "hours_with_readings": taken.hours,
            }
            for taken in seated.taken_from
        ],
    }
