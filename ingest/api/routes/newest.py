"""GET /v1/machines/{machine}/newest: what the monitor on a housing says now, for whoever stands beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.analysis.newest_monitor import seats_now
from cleanside.ingest.api.routes.described_fleet import NewestAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.shared import Name, PathName, R, needs, problems, router_of, text
from cleanside.ingest.store import newest
from cleanside.ingest.store.fleet import Assignment, HousingRow
from cleanside.ingest.store.keys import Key

router = router_of("machines")

Reader = Annotated[Key, Depends(needs("fleet:read"))]


@router.get(
    "/v1/machines/{machine}/newest",
    summary="Newest values of a housing",
    response_model=NewestAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_newest(
    machine: PathName, resources: R, key: Reader, housing: Annotated[Name, Query()] = DEFAULT_HOUSING
) -> dict[str, Any]:
    """The newest value of each quantity with its time, in SI, and the signal of the last ten minutes."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        return newest_document(connection, found, resources.clock())


def newest_document(
    connection: sa.Connection, housing: HousingRow, now_us: int, *, seats: Sequence[Assignment] | None = None
) -> dict[str, Any]:
    """What is newest of the devices that sit on a housing now. seats : of these alone; None: of all."""
    if seats is None:
        seats = seats_now(connection, housing, now_us)
    seen = newest.newest_of(connection, sorted({seat.device_id for seat in seats}))
    return {
        "machine": housing.machine,
        "housing": housing.name,
        "devices": sorted({seat.device for seat in seats}),
        "now": text(now_us),
        "received_at": text(seen.received_us),
        "quarantined": None if seen.quarantined is None else _quarantined(seen.quarantined),
        "readings_waiting": seen.waiting,
        "values": [
            {
                "quantity": name,
                "value": found.value,
                "unit": QUANTITIES[name].si_unit,
                "at": text(found.at_us),
            }
            for name, found in seen.values.items()
        ],
        "signal": [{"at": text(at_us), "signal_dbm": dbm} for at_us, dbm in seen.signal],
    }


def _quarantined(seen: newest.Quarantined) -> dict[str, Any]:
    return {
        "received_at": text(seen.received_us),
        "reasons": [reason.document() for reason in seen.reasons],
    }
