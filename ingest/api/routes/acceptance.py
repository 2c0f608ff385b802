"""Acceptance of an installation: the checks, the report, and the second reading of the limit."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query, Request
from fastapi.responses import PlainTextResponse, Response
from pydantic import Field

from cleanside.gateway.spot_checks import Check
from cleanside.gateway.units import to_si
from cleanside.ingest.analysis import acceptance_sheet
from cleanside.ingest.analysis.acceptance_sheet import CAUTIONS, Report
from cleanside.ingest.analysis.assessment import gauge_unit, terminal_at
from cleanside.ingest.api.routes.described import AcceptanceAnswer, ConfirmationAnswer
from cleanside.ingest.api.routes.described_kinds import HandSubject, SheetFormat
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import (
    DEFAULT_HOUSING,
    find_housing,
    find_machine,
    require_unit,
    terminal_document,
)
from cleanside.ingest.api.routes.named_schema import opened
from cleanside.ingest.api.routes.noted_entries import note_entry
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    Name,
    PathName,
    R,
    Strict,
    Words,
    needs,
    note_act,
    problems,
    router_of,
    text,
    us,
)
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.restriction.verdict.acceptance_forms import CHECK_FORMS, VERDICT_FORMS, result_text
from cleanside.ingest.restriction.verdict.installation import BY_HAND
from cleanside.ingest.restriction.verdict.plain_forms import text_of
from cleanside.ingest.store import acceptance as store
from cleanside.ingest.store import fleet
from cleanside.ingest.store.acceptance import Confirmation, HandComparison
from cleanside.ingest.store.fleet import HousingRow, TerminalRow
from cleanside.ingest.store.keys import Key

router = router_of("acceptance")

SheetReader = Annotated[Key, Depends(needs("acceptance:read"))]


class SecondReading(Strict):
    """The limit as read a second time off the gauge or the manual, in the unit printed there."""

    value: float = Field(gt=0, examples=[25.0])
    unit: Words = Field(
        max_length=64,
        examples=["inH2O"],
        description="unit of value, as printed there",
        json_schema_extra=opened("PressureUnit"),
    )
    housing: Name = DEFAULT_HOUSING


class ByHand(Strict):
    """A comparison by hand, where the readings cannot show the answer."""

    subject: HandSubject
    value: float | None = Field(
        None, examples=[84.6], description="what the instrument showed, in `unit`; left out for key_off"
    )
    unit: Words | None = Field(None, max_length=64, examples=["kPa"], description="unit of the instrument")
    compared_with: Words = Field("", max_length=200, examples=["barometer of the workshop"])
    housing: Name = DEFAULT_HOUSING


@router.get(
    "/v1/machines/{machine}/acceptance",
    summary="Acceptance of a new installation",
    description=(
        "Each check is passed, failed with the likely cause and what to do, or open. With "
        "`format=text` a report to keep with the machine's papers. " + " ".join(CAUTIONS)
    ),
    response_model=AcceptanceAnswer,
    responses=problems(404) | {200: {"content": {"text/plain": {"schema": {"type": "string"}}}}},
)
@example(query={"housing": "{housing}"})
def get_acceptance(
    machine: PathName,
    request: Request,
    resources: R,
    key: SheetReader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
    since: Annotated[
        At | None, Query(description="when it was fitted; the 72 h after it are looked at")
    ] = None,
    format_: Annotated[SheetFormat, Query(alias="format")] = "json",
) -> Any:
    """
    The checks of the first readings after fitting.

    A key of role device reads the sheet of the machine on which its device sits now, and no other.
    """
    since_us, now_us = us(since), resources.clock()
    if since_us is not None and since_us > now_us:
        raise NotValid(Complaint("query/since", "fitted_ahead", since=since, now=text(now_us)))
    with resources.reading() as connection:
        _require_own_seat(connection, key, machine, now_us)
    report = _report(request, key, machine, housing, since_us=since_us)
    if format_ == "text":
        answer: Response = PlainTextResponse(acceptance_sheet.as_text(report))
        return answer
    return document_of(report)


def _report(request: Request, key: Key, machine: str, housing: str, *, since_us: int | None) -> Report:
    """The report as of now. Raises NotFound for the housing."""
    services = services_of(request)
    with services.resources.reading() as connection:
        seat = find_housing(connection, key, machine, housing)
        study = services.judge(connection, key).view(seat).assessment.study
        now_us = services.resources.clock()
        return acceptance_sheet.report(connection, seat, since_us=since_us, now_us=now_us, study=study)


def _require_own_seat(connection: sa.Connection, key: Key, machine: str, now_us: int) -> None:
    """Raise NotFound for a device's key unless its device sits on the machine now."""
    if key.role != "device":
        return
    machine_row = find_machine(connection, key, machine)
    seats = [
        seat
        for housing in fleet.housings_of(connection, machine_row.id)
        for seat in fleet.assignments_of_housing(connection, housing.id)
    ]
    seats_now = [
        s for s in seats if (s.from_us or 0) <= now_us and (s.until_us is None or s.until_us > now_us)
    ]
    if not any(seat.device in key.devices for seat in seats_now):
        raise NotFound("machine", machine)


@router.post(
    "/v1/machines/{machine}/acceptance/second-reading",
    summary="Confirm the change limit",
    description=(
        "Read the limit a second time and send it in the unit of the gauge or manual. Where it differs from "
        "the one entered, nothing is kept and the answer says both."
    ),
    response_model=ConfirmationAnswer,
    responses=problems(404, 409),
)
@example({"value": 6.2, "unit": "kPa", "housing": "{housing}"})
def post_second_reading(
    machine: PathName,
    body: SecondReading,
    resources: R,
    key: Annotated[Key, Depends(needs("terminals:write"))],
) -> dict[str, Any]:
    """Confirm the present limit of a housing."""
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)

    def save(connection: sa.Connection) -> TerminalRow:
        limit = keep_second_reading(connection, act, body)
        note_entry(connection, act, "second_reading", body)
        return limit

    limit = resources.writer.call(save)
    return {
        "machine": machine,
        "housing": body.housing,
        "terminal_restriction": terminal_document(limit),
        "confirmed_at": text(now_us),
        "confirmed_by": key.handle,
    }


def keep_second_reading(connection: sa.Connection, act: Act, body: SecondReading) -> TerminalRow:
    """Confirm the present limit. Raises Refused, and then wrote nothing."""
    require_unit(body.unit, "#/unit")
    restriction_pa = to_si(body.value, body.unit, "restriction")
    housing = find_housing(connection, act.key, act.machine, body.housing)
    limit = terminal_at(fleet.terminals_of(connection, housing.id), act.now_us)
    if limit is None or (limit.value, limit.unit) != (body.value, body.unit):
        raise _differs(limit, body, restriction_pa, act.machine)
    given = Confirmation(act.made_us, act.key.handle, body.value, body.unit, restriction_pa)
    store.put_confirmation(connection, housing.id, given)
    note_act(connection, act, "terminal_confirmed", body)
    return limit


@router.post(
    "/v1/machines/{machine}/acceptance/hand-comparisons",
    summary="Enter what was compared by hand",
    description=(
        "It settles a check that the readings leave open, as long as they do; what they show is not "
        "overruled. Subjects: " + "; ".join(f"`{name}`: {rule.asks}" for name, rule in BY_HAND.items()) + "."
    ),
    response_model=AcceptanceAnswer,
    responses=problems(404),
)
@example({"subject": "key_off", "housing": "{housing}"}, plain="subject compared_with")
def post_hand_comparison(
    machine: PathName,
    body: ByHand,
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("terminals:write"))],
) -> dict[str, Any]:
    """Store a comparison with who made it and when. The answer is the sheet with it."""
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)

    def save(connection: sa.Connection) -> None:
        keep_hand_comparison(connection, act, body)
        note_entry(connection, act, "hand_comparison", body)

    resources.writer.call(save)
    return document_of(_report(request, key, machine, body.housing, since_us=None))


def keep_hand_comparison(connection: sa.Connection, act: Act, body: ByHand) -> HousingRow:
    """Keep what was compared by hand. Raises Refused, and then wrote nothing."""
    value_si = _value_si(body)
    housing = find_housing(connection, act.key, act.machine, body.housing)
    given = HandComparison(
        act.made_us, act.key.handle, body.subject, body.value, body.unit, value_si, body.compared_with
    )
    store.put_comparison(connection, housing.id, given)
    note_act(connection, act, "compared_by_hand", body)
    return housing


def _value_si(body: ByHand) -> float | None:
    """The value in SI. Raises Refused (422) where value or unit are missing, too many, or do not fit."""
    quantity = BY_HAND[body.subject].quantity
    if quantity is None:
        if body.value is not None or body.unit is not None:
            raise NotValid(Complaint("#/value", "comparison_without_value", subject=body.subject))
        return None
    if body.value is None or body.unit is None:
        asks = BY_HAND[body.subject].asks
        raise NotValid(Complaint("#/value", "comparison_needs_value", subject=body.subject, asks=asks))
    if quantity == "time":
        if body.unit != "s":
            raise NotValid(Complaint("#/unit", "clock_in_seconds", unit=body.unit))
        return body.value
    require_unit(body.unit, "#/unit", quantity)
    value_si = to_si(body.value, body.unit, quantity)
    if body.subject == store.CLEAN_ELEMENT and not value_si > 0:
        raise NotValid(Complaint("#/value", "clean_not_above_zero"))
    return value_si


def _differs(limit: TerminalRow | None, body: SecondReading, restriction_pa: float, machine: str) -> Refused:
    address = f"/v1/machines/{machine}/terminal-restriction"
    if limit is None:
        return Refused("limit_not_entered", status=409, code="terminal_differs", address=address)
    return Refused(
        "terminal_differs",
        status=409,
        address=address,
        value=limit.value,
        unit=limit.unit,
        kpa=limit.restriction_pa / 1e3,
        read_value=body.value,
        read_unit=body.unit,
        read_kpa=restriction_pa / 1e3,
    )


def document_of(found: Report) -> dict[str, Any]:
    """A report for an answer or for the command."""
    return {
        "machine": found.housing.machine,
        "housing": found.housing.name,
        "devices": list(found.devices),
        "beside": list(found.beside),
        "since": text(found.since_us),
        "until": text(found.until_us),
        "looked_at": text(found.looked_us),
        "readings": found.readings,
        "terminal_restriction": terminal_document(found.terminal),
        "result": found.verdict,
        "result_text": result_text([check.verdict for check in found.checks]),
        "checks": [_check_document(check, gauge_unit(found.terminal)) for check in found.checks],
        "cautions": list(CAUTIONS),
    }


def _check_document(check: Check, unit: str | None) -> dict[str, Any]:
    return {
        "check": check.check,
        "check_text": CHECK_FORMS[check.check],
        "verdict": check.verdict,
        "verdict_text": VERDICT_FORMS[check.verdict],
        "seen": text_of(check.seen, unit),
        "next_step": None if check.next_step is None else text_of(check.next_step, unit),
    }
