"""What the shop knows of a machine: site, crew, service, lay-up, part numbers and limits."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from pydantic import Field

from cleanside.ingest.api.routes.described_shop import PapersAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing, find_machine
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.paper_shapes import Day, laid_up_document, service_document
from cleanside.ingest.api.routes.shared import Name, PathName, R, Strict, Words, problems, router_of
from cleanside.ingest.api.routes.shop import PartNumber, ShopWriter, find_group, require_site
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.shop.machine_sheet import MOST_CLEANINGS, MOST_LIMIT_DAYS, MOST_METER_H
from cleanside.ingest.store import audit, fleet, papers
from cleanside.ingest.store.fleet import MachineRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import MachinePapers

router = router_of("shop")


class NextService(Strict):
    """The next scheduled service; it takes the place of the one before."""

    service: Words | None = Field(None, max_length=120, examples=["500 h service"])
    meter_hours: float | None = Field(None, ge=0, le=MOST_METER_H)
    on: Day | None = None


class LaidUp(Strict):
    """From and until which days a machine is laid up, both included."""

    from_: Day = Field(alias="from")
    until: Day | None = Field(None, description="left out: no end is set")


class HousingEdit(Strict):
    """What the shop knows of a housing; null takes it away, what is left out stays."""

    housing: Name = DEFAULT_HOUSING
    primary_part: PartNumber | None = None
    safety_part: PartNumber | None = None
    calendar_limit_days: int | None = Field(None, ge=1, le=MOST_LIMIT_DAYS)
    most_cleanings: int | None = Field(None, ge=0, le=MOST_CLEANINGS)


class PapersEdit(Strict):
    """What the shop knows of a machine; null takes it away, what is left out stays."""

    site: Name | None = None
    crew: Name | None = None
    next_service: NextService | None = None
    laid_up: LaidUp | None = None
    housings: Annotated[list[HousingEdit], each_once("housing")] = Field(default_factory=list, max_length=16)


@router.patch(
    "/v1/machines/{machine}/papers",
    summary="Edit what the shop knows of a machine",
    response_model=PapersAnswer,
    responses=problems(404),
)
@example(
    {
        "site": "{site}",
        "crew": "{crew}",
        "next_service": {"service": "500 h service", "meter_hours": 8500.0},
        "housings": [{"housing": "{housing}", "primary_part": "KG-0715", "calendar_limit_days": 365}],
    },
    plain="next_service laid_up from until on service meter_hours primary_part safety_part "
    "calendar_limit_days most_cleanings",
)
def patch_papers(machine: PathName, body: PapersEdit, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Set site, crew, next service, lay-up, and of its housings part numbers and limits."""
    _check_laid_up(body.laid_up)
    given = body.model_dump(mode="json", exclude_unset=True, by_alias=True)

    def save(connection: sa.Connection) -> dict[str, Any]:
        found = find_machine(connection, key, machine)
        changes = _columns(body) | _groups(connection, key, body)
        edits = [(find_housing(connection, key, machine, edit.housing), edit) for edit in body.housings]
        papers.edit_machine_papers(connection, found.id, **changes)
        for housing, edit in edits:
            own = edit.model_dump(exclude_unset=True, exclude={"housing"})
            papers.edit_housing_papers(connection, housing.id, **own)
        about = {"machine": machine, "body": given}
        audit.note(connection, key.owner_id, resources.clock(), key.handle, "papers", **about)
        return papers_document(connection, found)

    return resources.writer.call(save)


def _check_laid_up(laid_up: LaidUp | None) -> None:
    if laid_up is not None and laid_up.until is not None and laid_up.until < laid_up.from_:
        days = {"until": laid_up.until, "from_day": laid_up.from_}
        raise NotValid(Complaint("#/laid_up/until", "laid_up_ends_before_it_begins", **days))


def _columns(body: PapersEdit) -> dict[str, Any]:
    """Service and lay-up as columns; what the body leaves out is not in it."""
    changes: dict[str, Any] = {}
    if "next_service" in body.model_fields_set:
        service = body.next_service
        changes["service"] = None if service is None else service.service or None
        changes["service_meter_h"] = None if service is None else service.meter_hours
        changes["service_on"] = None if service is None else service.on
    if "laid_up" in body.model_fields_set:
        laid_up = body.laid_up
        changes["laid_up_from"] = None if laid_up is None else laid_up.from_
        changes["laid_up_until"] = None if laid_up is None else laid_up.until
    return changes


def _groups(connection: sa.Connection, key: Key, body: PapersEdit) -> dict[str, int | None]:
    """Site and crew as columns; what the body leaves out is not in it. Raises Refused (403, 404)."""
    changes: dict[str, int | None] = {}
    if "site" in body.model_fields_set:
        require_site(key, body.site)
        changes["site_id"] = _group_id(connection, "site", key, body.site)
    if "crew" in body.model_fields_set:
        changes["crew_id"] = _group_id(connection, "crew", key, body.crew)
    return changes


def _group_id(connection: sa.Connection, kind: str, key: Key, name: str | None) -> int | None:
    return None if name is None else find_group(connection, kind, key, name).id


def papers_document(connection: sa.Connection, machine: MachineRow) -> dict[str, Any]:
    """What the shop knows of a machine, for an answer."""
    known = papers.papers_where(connection, "machines.id = ?", (machine.id,))
    of_machine = next((found.machine for found in known.values()), MachinePapers())
    return {
        "machine": machine.name,
        "site": of_machine.site,
        "crew": of_machine.crew,
        "next_service": service_document(of_machine),
        "laid_up": laid_up_document(of_machine),
        "housings": [
            {"housing": housing.name, **known[housing.id].housing._asdict()}
            for housing in fleet.housings_of(connection, machine.id)
        ],
    }
