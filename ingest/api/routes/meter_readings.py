"""The hour meter of a machine, as people read it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Protocol

import sqlalchemy as sa
from fastapi import Depends, Request
from pydantic import Field

from cleanside.ingest.analysis.memory import summaries_of
from cleanside.ingest.api.routes.described_shop import MetersAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import Reader, find_machine
from cleanside.ingest.api.routes.read_by_people import entry_differs, past_instant
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    Name,
    PathName,
    R,
    Strict,
    needs,
    note_act,
    problems,
    router_of,
    text,
)
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.restriction import Study
from cleanside.ingest.shop.machine_sheet import MOST_METER_H
from cleanside.ingest.shop.meter import doubt_of, meter_now_h, offset_h
from cleanside.ingest.store import element_changes, fleet, hours, papers
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import MeterReading

router = router_of("shop")

MICRO = 1_000_000
HOUR_S, DAY_S = 3_600, 86_400

Writer = Annotated[Key, Depends(needs("changes:write"))]


#: of a body with the hour meter
OldMeterHours = Annotated[
    float | None,
    Field(
        ge=0,
        le=MOST_METER_H,
        description="after a new meter was fitted: what the one before it showed last; from it follow the "
        "hours before this one [h]",
    ),
]

NewMeterBegan = Annotated[
    float | None,
    Field(
        ge=0,
        le=MOST_METER_H,
        description="what a new meter showed when it was fitted, with old_meter_hours; left out: 0 [h]",
    ),
]


class NewMeterReading(Strict):
    """The hour meter as it was read."""

    at: At
    meter_hours: float = Field(ge=0, le=MOST_METER_H, examples=[8120.5])
    offset_hours: float | None = Field(
        None,
        ge=0,
        le=MOST_METER_H,
        description="what the machine had worked before this meter was fitted; left out: as at the last "
        "reading [h]",
    )
    old_meter_hours: OldMeterHours = None
    new_meter_began_hours: NewMeterBegan = None
    entry_id: Name | None = Field(None, description="made by whoever enters it; a resend is the same entry")


@router.post(
    "/v1/machines/{machine}/meter-readings",
    summary="Enter what the hour meter shows",
    response_model=MetersAnswer,
    responses=problems(404, 409),
)
@example(
    {"at": "2026-03-01T06:00:00Z", "meter_hours": 8120.5},
    plain="at meter_hours offset_hours old_meter_hours new_meter_began_hours entry_id",
)
def post_meter_reading(
    machine: PathName, body: NewMeterReading, request: Request, resources: R, key: Writer
) -> dict[str, Any]:
    """Enter a reading of the hour meter. One that cannot be true is refused with the question it asks."""
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)
    resources.writer.call(lambda connection: keep_meter(connection, act, body))
    return _meters(request, resources, key, machine)


def keep_meter(connection: sa.Connection, act: Act, body: NewMeterReading) -> None:
    """Keep what the hour meter shows. Raises Refused, and then wrote nothing."""
    at_us = past_instant(body.at, "#/at", act.now_us)
    machine = find_machine(connection, act.key, act.machine)
    own = (body, body.entry_id or f"meter-{at_us}", at_us, act)
    given = meter_reading_of(connection, machine.id, *own, before_h=body.offset_hours)
    check_meter(connection, machine.id, given, "#/meter_hours", says_before=says_before(body))
    if papers.put_meter(connection, machine.id, given) is None:
        note_act(connection, act, "meter_reading", body)


class ShownMeter(Protocol):
    """A body with the hour meter."""

    @property
    def meter_hours(self) -> float | None: ...
    @property
    def old_meter_hours(self) -> float | None: ...
    @property
    def new_meter_began_hours(self) -> float | None: ...


def meter_reading_of(
    connection: sa.Connection,
    machine_id: int,
    body: ShownMeter,
    entry_id: str,
    at_us: int,
    act: Act,
    *,
    before_h: float | None = None,
) -> MeterReading:
    """
    What a body says of the hour meter. Raises Refused (422) where it says half of a new one.

    before_h : hours before this meter, where a person gave them.
    """
    assert body.meter_hours is not None
    began_h = body.new_meter_began_hours
    if began_h is not None and (body.old_meter_hours is None or began_h > body.meter_hours):
        raise NotValid(Complaint("#/new_meter_began_hours", "new_meter_half_said", began_h=began_h))
    known = [m for m in _believed_meters(connection, machine_id) if m.entry_id != entry_id]
    old_h = body.old_meter_hours
    before_h = offset_h(known, at_us, given_h=before_h, old_meter_h=old_h, began_h=began_h)
    return MeterReading(entry_id, at_us, act.now_us, act.key.handle, body.meter_hours, before_h)


@router.get(
    "/v1/machines/{machine}/meter-readings",
    summary="What the hour meter showed",
    response_model=MetersAnswer,
    responses=problems(404),
)
def get_meter_readings(machine: PathName, request: Request, resources: R, key: Reader) -> dict[str, Any]:
    """What was read of the hour meter, and what it likely shows now."""
    return _meters(request, resources, key, machine)


def says_before(body: ShownMeter) -> bool:
    """True where a person says what the machine worked before this meter."""
    return body.old_meter_hours is not None or getattr(body, "offset_hours", None) is not None


def check_meter(
    connection: sa.Connection, machine_id: int, given: MeterReading, pointer: str, *, says_before: bool
) -> None:
    """Before anything is written. Raises Refused: 409 for another content under its id, 422 for a doubt."""
    known = papers.meters_of(connection, machine_id)
    same = next((m for m in known if m.entry_id == given.entry_id), None)
    seen_h = run_hours_seen(connection, machine_id, given.at_us)
    others = _believed_meters(connection, machine_id)
    if same is None and (doubt := doubt_of(given, others, seen_h, says_before=says_before)) is not None:
        raise NotValid(Complaint(pointer, doubt.code, **_with_instants(doubt.values)))
    if same is not None and (same.at_us, same.meter_h, same.offset_h) != (
        given.at_us,
        given.meter_h,
        given.offset_h,
    ):
        raise entry_differs(given.entry_id, f"{same.meter_h:g} h at {text(same.at_us)}")


def _believed_meters(connection: sa.Connection, machine_id: int) -> list[MeterReading]:
    """The hour meter as it was read, without what belongs to an entry of a time that cannot be right."""
    doubted = _doubted_entries(connection, machine_id)
    return [m for m in papers.meters_of(connection, machine_id) if m.entry_id not in doubted]


def _doubted_entries(connection: sa.Connection, machine_id: int) -> frozenset[str]:
    """Element changes of a day or more before the first reading, as of a wrong year, not confirmed."""
    found: set[str] = set()
    for housing in fleet.housings_of(connection, machine_id):
        first_hour = hours.first_summarised_hour(connection, housing.id)
        if first_hour is not None:
            first_us = (first_hour * HOUR_S - DAY_S) * MICRO
            changes = element_changes.changes_of(connection, housing.id)
            found |= {c.entry_id for c in changes if c.changed_us < first_us and not c.confirmed_because}
    return frozenset(found)


def run_hours_seen(connection: sa.Connection, machine_id: int, until_us: int) -> float:
    """Hours that the monitors of a machine saw its engine run before an instant. [h]"""
    until_s, most_s = until_us / MICRO, 0.0
    for housing in fleet.housings_of(connection, machine_id):
        table = summaries_of(connection, housing.id).hours
        most_s = max(most_s, float(table["operating_s"][table["hour_s"] + HOUR_S <= until_s].sum()))
    return most_s / HOUR_S


def _with_instants(values: Mapping[str, float | int]) -> dict[str, Any]:
    """The values of a doubt as an answer has them: instants as text."""
    return {n.removesuffix("_us"): text(int(v)) if n.endswith("_us") else v for n, v in values.items()}


def _meters(request: Request, resources: R, key: Key, machine: str) -> dict[str, Any]:
    with resources.reading() as connection:
        found = find_machine(connection, key, machine)
        readings = papers.meters_of(connection, found.id)
        judge = services_of(request).judge(connection, key)
        housings = fleet.housings_of(connection, found.id)
        seen = judge.view(housings[0]) if housings else None
    shown_h = None
    if seen is not None:
        study = seen.assessment.study
        shown_h = meter_now_h(without_questions(readings, study), study.duty, resources.clock())
    return {
        "machine": machine,
        "meter_readings": [_meter_document(reading) for reading in readings],
        "meter_hours_now": shown_h,
    }


def without_questions(readings: Sequence[MeterReading], study: Study) -> list[MeterReading]:
    """What was read of the hour meter, without that of entries which the readings contradict. Pure."""
    asked = {question.entry.name for question in study.questions}
    return [reading for reading in readings if reading.entry_id not in asked]


def _meter_document(reading: MeterReading) -> dict[str, Any]:
    return {
        "entry_id": reading.entry_id,
        "at": text(reading.at_us),
        "entered_at": text(reading.entered_us),
        "who": reading.who,
        "meter_hours": reading.meter_h,
        "offset_hours": reading.offset_h,
    }
