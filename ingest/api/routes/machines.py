"""Machines, their housings and terminal restriction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from pydantic import Field

from cleanside.gateway.units import QUANTITIES, accepts, offered, suggest_unit, to_si
from cleanside.ingest.api.routes.declared import line_document
from cleanside.ingest.api.routes.described_fleet import (
    MachineAnswer,
    MachinesAnswer,
    RegisteredMachine,
    TerminalAnswer,
)
from cleanside.ingest.api.routes.described_kinds import FlowQuantity
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.named_schema import opened
from cleanside.ingest.api.routes.noted_entries import note_entry
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.paper_shapes import laid_up_document, service_document
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    ConfirmedBecause,
    DisplayName,
    Name,
    NewName,
    PathName,
    R,
    Strict,
    Words,
    needs,
    note_act,
    problems,
    router_of,
    shown,
    text,
    us,
)
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners import asked_first
from cleanside.ingest.owners.reach import machines_seen, sees_machine
from cleanside.ingest.store import audit, declared, fleet, limit_changes, papers
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.fleet import HousingRow, MachineRow, TerminalRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import MachinePapers, Papers
from cleanside.ingest.writer.resources import Resources

router = router_of("machines")

DEFAULT_HOUSING = "main"
CAUTION = (
    "The engine maker's service limit comes first. Enter the value in the unit of the gauge or manual it was "
    "read from."
)

Reader = Annotated[Key, Depends(needs("fleet:read"))]


class TerminalRestriction(Strict):
    """The limit set by the engine maker, in the unit in which it was read."""

    value: float = Field(gt=0, examples=[6.2])
    unit: Words = Field(
        max_length=64,
        examples=["kPa"],
        description="unit of value, as on the gauge or in the manual",
        json_schema_extra=opened("PressureUnit"),
    )
    valid_from: At | None = Field(None, description="from when it holds; left out: from the beginning")


class ReferenceFlow(Strict):
    """The flow at which the terminal restriction is stated, usually that of rated speed and load."""

    quantity: FlowQuantity
    value: float = Field(gt=0, examples=[1900])
    unit: Words = Field(
        max_length=64,
        examples=["r/min"],
        description="unit of value",
        json_schema_extra=opened("SpeedUnit", "MassFlowUnit"),
    )


class NewHousing(Strict):
    """One air filter housing of a machine."""

    housing: NewName = Field(examples=["main"])
    terminal_restriction: TerminalRestriction | None = None
    reference_flow: ReferenceFlow | None = Field(
        default=None,
        description="left out: learned from the highest flows seen, which reads low on easy work",
    )


class NewMachine(Strict):
    """A machine with its housings; without any, one housing called main."""

    machine: NewName
    display_name: DisplayName | None = Field(None, description="what people call it, any text")
    kind: Name | None = Field(None, description="what it is; machines of a kind learn from each other")
    housings: Annotated[list[NewHousing], each_once("housing")] = Field(default_factory=list, max_length=16)
    confirmed_because: ConfirmedBecause = ""


class MachineEdit(Strict):
    """A change of a machine; members that are left out stay."""

    name: NewName | None = Field(None, description="its new name, in addresses too; its history stays")
    display_name: DisplayName | None = Field(None, description='any text; "" takes it away')
    retired: bool | None = Field(
        None, description="true: out of use, not listed in /v1/fleet; its history stays; false: in use again"
    )
    confirmed_because: ConfirmedBecause = ""


class HousingTerminal(TerminalRestriction):
    """A terminal restriction and its housing."""

    housing: Name = Field(DEFAULT_HOUSING)


@router.post(
    "/v1/machines", summary="Register a machine", response_model=RegisteredMachine, responses=problems(404)
)
@example({"machine": "{machine}", "housings": [{"housing": "{housing}"}]})
def post_machine(
    body: NewMachine, resources: R, key: Annotated[Key, Depends(needs("fleet:write"))]
) -> dict[str, Any]:
    """
    Register a machine, or add to one. The same request again changes nothing; `outcome` says what was done.

    A new name that is there already but for its capital letters is asked about (422): use the other, or say
    by `confirmed_because` why it is meant.
    """
    wanted = body.housings or [NewHousing(housing=DEFAULT_HOUSING)]
    limits = [
        _terminal(h.terminal_restriction, f"#/housings/{i}/terminal_restriction")
        for i, h in enumerate(wanted)
    ]
    for i, housing in enumerate(wanted):
        if housing.reference_flow is not None:
            pointer = f"#/housings/{i}/reference_flow/unit"
            require_unit(housing.reference_flow.unit, pointer, housing.reference_flow.quantity)

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        known = fleet.machine(connection, key.owner_id, body.machine)
        if known is not None and not sees_machine(connection, key, known):
            raise NotFound("machine", body.machine)
        if not body.confirmed_because:
            _ask_of_names(connection, key, body, known)
        before = None if known is None else machine_document(connection, known)
        machine = fleet.keep_machine(connection, key.owner_id, body.machine, body.kind or "", now_us)
        if body.display_name is not None:
            machine = fleet.edit_machine(connection, machine, display_name=body.display_name or None)
        for housing, limit in zip(wanted, limits, strict=True):
            kept = fleet.keep_housing(connection, machine, housing.housing)
            if limit is not None:
                fleet.put_terminal(connection, kept.id, limit)
            if (reference := housing.reference_flow) is not None:
                fleet.put_reference(connection, kept.id, reference.quantity, reference.value, reference.unit)
        audit.note(connection, key.owner_id, now_us, key.handle, "machine", body=body.model_dump(mode="json"))
        after = machine_document(connection, machine)
        return after | _outcome_document(before, after)

    return resources.writer.call(save)


@router.get(
    "/v1/machines",
    summary="Machines",
    responses=shown(MachinesAnswer, tagged=True),
    response_class=Response,
)
def get_machines(request: Request, resources: R, key: Reader, page: P) -> Response:
    """Machines that the key may see, by name."""
    documents, cursor = list_machines(resources, key, page)
    return page_answer(request, "machines", documents, cursor)


def list_machines(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of machines, and the cursor of the next."""
    (after,) = page.after(str) or (None,)
    with resources.reading() as connection:
        seen = machines_seen(connection, key, after=after)
        shown, cursor = page.cut(seen, lambda machine: (machine.name,))
        documents = [machine_document(connection, machine) for machine in shown]
    return documents, cursor


@router.get(
    "/v1/machines/{machine}", summary="One machine", response_model=MachineAnswer, responses=problems(404)
)
def get_machine(machine: PathName, resources: R, key: Reader) -> dict[str, Any]:
    """A machine with its housings, limits and devices."""
    with resources.reading() as connection:
        return machine_document(connection, find_machine(connection, key, machine))


@router.patch(
    "/v1/machines/{machine}",
    summary="Rename or retire a machine",
    response_model=MachineAnswer,
    responses=problems(404, 409),
)
@example({"display_name": "Grader 7, gravel plateau"})
def patch_machine(
    machine: PathName,
    body: MachineEdit,
    resources: R,
    key: Annotated[Key, Depends(needs("fleet:write"))],
) -> dict[str, Any]:
    """
    Give a machine another name or display name, or retire it.

    A retired machine keeps its history, and readings that arrive late are stored.
    """

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        found = find_machine(connection, key, machine)
        changes: dict[str, Any] = {}
        if body.name is not None and body.name != found.name:
            if fleet.machine(connection, key.owner_id, body.name) is not None:
                raise Refused("machine_name_taken", status=409, code="name_taken", name=body.name)
            if not body.confirmed_because:
                alike = asked_first.of_machine_name(connection, key, body.name, found, "#/name")
                refuse_if_asked(alike)
            changes["name"] = body.name
        if body.display_name is not None:
            changes["display_name"] = body.display_name or None
        if body.retired is not None:
            changes["retired_us"] = (found.retired_us or now_us) if body.retired else None
        edited = fleet.edit_machine(connection, found, **changes)
        about = {"machine": machine, "body": body.model_dump(mode="json", exclude_none=True)}
        audit.note(connection, key.owner_id, now_us, key.handle, "machine_edited", **about)
        return machine_document(connection, edited)

    return resources.writer.call(save)


@router.post(
    "/v1/machines/{machine}/terminal-restriction",
    summary="Set the change limit of a housing: terminal restriction, from the engine maker's manual",
    description=CAUTION,
    response_model=TerminalAnswer,
    responses=problems(404),
)
@example({"value": 5.0, "unit": "kPa", "housing": "{housing}"})
def post_terminal_restriction(
    machine: PathName,
    body: HousingTerminal,
    resources: R,
    key: Annotated[Key, Depends(needs("terminals:write"))],
) -> dict[str, Any]:
    """
    Set the limit of a housing from an instant on; earlier ones stay for the time before.

    It is listed in `GET /v1/entries`, and `take_back` of `POST /v1/entries` takes it back.
    """
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)

    def save(connection: sa.Connection) -> TerminalRow:
        limit = keep_limit(connection, act, body)
        note_entry(connection, act, "terminal_restriction", body)
        return limit

    limit = resources.writer.call(save)
    return {"machine": machine, "housing": body.housing, "terminal_restriction": terminal_document(limit)}


def keep_limit(connection: sa.Connection, act: Act, body: HousingTerminal) -> TerminalRow:
    """Set the limit of a housing. Raises Refused, and then wrote nothing."""
    limit = _terminal(body, "#")
    assert limit is not None
    housing = find_housing(connection, act.key, act.machine, body.housing)
    before = {known.valid_from_us: known for known in fleet.terminals_of(connection, housing.id)}
    fleet.put_terminal(connection, housing.id, limit)
    replaced = before.get(limit.valid_from_us)
    limit_changes.put(connection, housing.id, limit, replaced, at_us=act.made_us, who=act.key.handle)
    note_act(connection, act, "terminal", body)
    return limit


def _ask_of_names(connection: sa.Connection, key: Key, body: NewMachine, known: MachineRow | None) -> None:
    """Raise NotValid for a new name that is another's but for its capital letters."""
    if known is None:
        refuse_if_asked(asked_first.of_machine_name(connection, key, body.machine, None, "#/machine"))
        return
    pointed = [(f"#/housings/{place}/housing", h.housing) for place, h in enumerate(body.housings)]
    asked = [asked_first.of_housing_name(connection, known.id, name, pointer) for pointer, name in pointed]
    refuse_if_asked([complaint for one in asked for complaint in one])


# ---------------------------------------------------------------- access and answers


def refuse_if_asked(complaints: Sequence[Complaint]) -> None:
    """Raise NotValid with all complaints, if there are any."""
    if complaints:
        raise NotValid(*complaints)


def find_machine(connection: sa.Connection, key: Key, name: str) -> MachineRow:
    """A machine by name. Raises NotFound for one that is unknown, another's, or not for this key."""
    machine = fleet.machine(connection, key.owner_id, name)
    if machine is None or not sees_machine(connection, key, machine):
        raise NotFound("machine", name)
    return machine


def find_housing(connection: sa.Connection, key: Key, machine: str, housing: str) -> HousingRow:
    """A housing by machine and name. Raises NotFound for the machine, Refused (404) for the housing."""
    machine_row = find_machine(connection, key, machine)
    every = {candidate.name: candidate for candidate in fleet.housings_of(connection, machine_row.id)}
    if housing not in every:
        names = " and ".join(every)
        raise Refused("unknown_housing", status=404, machine=machine, housing=housing, there=names)
    return every[housing]


def require_unit(unit: str, pointer: str, quantity: str = "restriction") -> None:
    """Raise Refused (422) unless a unit measures a quantity. pointer : where it stands in the body."""
    if not accepts(unit, quantity):
        about = {"unit": unit, "quantity": quantity, "likely": suggest_unit(unit, quantity)}
        raise NotValid(
            Complaint(pointer, "unit_does_not_measure", **about, accepted=", ".join(offered(quantity)))
        )


def _terminal(given: TerminalRestriction | None, pointer: str) -> TerminalRow | None:
    """Check a limit's unit and whether a reading could ever reach it. Raises Refused."""
    if given is None:
        return None
    require_unit(given.unit, f"{pointer}/unit")
    restriction_pa = to_si(given.value, given.unit, "restriction")
    highest_pa = QUANTITIES["restriction"].highest
    if restriction_pa > highest_pa:
        about = {"value": given.value, "unit": given.unit}
        about |= {"value_kpa": restriction_pa / 1e3, "highest_kpa": highest_pa / 1e3}
        raise NotValid(Complaint(f"{pointer}/value", "limit_out_of_reach", **about))
    return TerminalRow(
        valid_from_us=us(given.valid_from) or 0,
        value=given.value,
        unit=given.unit,
        restriction_pa=restriction_pa,
    )


def terminal_document(terminal: TerminalRow | None) -> dict[str, Any] | None:
    """A limit for an answer: as read, and in Pa."""
    if terminal is None:
        return None
    return {
        "value": terminal.value,
        "unit": terminal.unit,
        "restriction_pa": terminal.restriction_pa,
        "valid_from": text(terminal.valid_from_us) if terminal.valid_from_us else None,
    }


def _outcome_document(before: Mapping[str, Any] | None, after: Mapping[str, Any]) -> dict[str, Any]:
    """What a registration did. before : the machine as it was; None: there was none. Pure."""
    if before is None:
        return {"outcome": "made", "changed": []}
    changed = [name for name in ("kind", "display_name") if before[name] != after[name]]
    known = {housing["housing"]: housing for housing in before["housings"]}
    for housing in after["housings"]:
        name = housing["housing"]
        if name not in known:
            changed.append(name)
            continue
        members = ("terminal_restrictions", "reference_flow")
        changed += [f"{name}/{member}" for member in members if known[name][member] != housing[member]]
    return {"outcome": "changed" if changed else "unchanged", "changed": changed}


def machine_document(connection: sa.Connection, machine: MachineRow) -> dict[str, Any]:
    """A machine for an answer."""
    housings = fleet.housings_of(connection, machine.id)
    known = papers.papers_where(connection, "machines.id = ?", (machine.id,))
    of_machine = next((found.machine for found in known.values()), MachinePapers())
    return {
        "machine": machine.name,
        "display_name": machine.display_name,
        "kind": machine.kind or None,
        "retired_at": text(machine.retired_us),
        "site": of_machine.site,
        "crew": of_machine.crew,
        "next_service": service_document(of_machine),
        "laid_up": laid_up_document(of_machine),
        "housings": [_housing_document(connection, h, known[h.id]) for h in housings],
        "declared": [line_document(line) for line in _declared(connection, machine)],
    }


def _declared(connection: sa.Connection, machine: MachineRow) -> list[DeclaredLine]:
    """Declarations of the gateways of devices that sit on a machine now."""
    device_ids = {
        seat.device_id
        for housing in fleet.housings_of(connection, machine.id)
        for seat in fleet.assignments_of_housing(connection, housing.id)
        if seat.until_us is None
    }
    return declared.lines(connection, machine.owner_id, device_ids=device_ids) if device_ids else []


def _housing_document(connection: sa.Connection, housing: HousingRow, known: Papers) -> dict[str, Any]:
    limits = fleet.terminals_of(connection, housing.id)
    seats = fleet.assignments_of_housing(connection, housing.id)
    return {
        "housing": housing.name,
        "terminal_restrictions": [terminal_document(limit) for limit in limits],
        "reference_flow": _reference_document(housing),
        "devices": [
            {"device": seat.device, "from": text(seat.from_us), "until": text(seat.until_us)}
            for seat in seats
            if seat.from_us is None or seat.from_us != seat.until_us
        ],
        **known.housing._asdict(),
    }


def _reference_document(housing: HousingRow) -> dict[str, Any] | None:
    if housing.reference_quantity is None:
        return None
    return {
        "quantity": housing.reference_quantity,
        "value": housing.reference_value,
        "unit": housing.reference_unit,
    }
