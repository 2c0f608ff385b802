"""What the shop knows of a machine: its papers, what people read at it, and the change that is planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, NamedTuple, Protocol
from zoneinfo import ZoneInfo

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.gateway.units import own_name, to_si
from cleanside.ingest.analysis.assessment import Judge, View, gauge_unit, terminal_at
from cleanside.ingest.analysis.memory import summaries_of
from cleanside.ingest.api.routes.described_kinds import GaugeSource
from cleanside.ingest.api.routes.described_shop import (
    GaugesAnswer,
    MetersAnswer,
    PapersAnswer,
    PlannedAnswer,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import (
    DEFAULT_HOUSING,
    Reader,
    find_housing,
    find_machine,
    require_unit,
)
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.paper_shapes import (
    Day,
    ZoneName,
    end_of_day_us,
    laid_up_document,
    planned_document,
    service_document,
)
from cleanside.ingest.api.routes.planned_day_asked import ask_of_day
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Act,
    At,
    Because,
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
from cleanside.ingest.api.routes.shop import PartNumber, ShopWriter, find_group, require_site
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.restriction import Study
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.verdict.gauge_doubt import (
    DoubtedLook,
    GaugeDoubt,
    gauge_doubt,
    is_shown_again,
)
from cleanside.ingest.shop.machine_sheet import MOST_CLEANINGS, MOST_LIMIT_DAYS, MOST_METER_H
from cleanside.ingest.shop.meter import doubt_of, meter_now_h, offset_h
from cleanside.ingest.shop.planned import kept_after_us, state_of_plan
from cleanside.ingest.store import audit, element_changes, fleet, hours, papers
from cleanside.ingest.store.fleet import HousingRow, MachineRow, TerminalRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import (
    NO_PAPERS,
    GaugeReading,
    MachinePapers,
    MeterReading,
    PlannedChange,
)

router = router_of("shop")

MICRO = 1_000_000
AHEAD_US = 3_600 * MICRO  # a clock that is an hour off is no reason to send somebody back
HOUR_S, DAY_S = 3_600, 86_400
MOST_PLANNED_US = 730 * DAY_S * MICRO  # two years ahead; beyond that a year was mistyped (chosen)
#: a gauge for intake restriction shows no more: 100 inH2O, common practice (chosen) [Pa]
MOST_GAUGE_PA = 25_000.0
MOST_APART_S = 86_400.0  # of a gauge and the operating hour it is compared with; chosen

Writer = Annotated[Key, Depends(needs("changes:write"))]


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


class GaugeShowing(Strict):
    """What a gauge or the machine's own indicator shows."""

    source: GaugeSource = "hand_gauge"
    value: float | None = Field(None, ge=0, examples=[4.1])
    unit: Words | None = Field(None, max_length=64, examples=["kPa"])
    latched: bool | None = Field(None, description="the machine's own indicator stands at its red mark")


class NewGaugeReading(GaugeShowing):
    """Restriction as a person read it."""

    at: At
    housing: Name = DEFAULT_HOUSING
    entry_id: Name | None = Field(None, description="made by whoever enters it; a resend is the same entry")


#: `seen` where no day was planned
NONE_PLANNED = "none"


class NewPlan(Strict):
    """The day on which a person means to change an element."""

    on: Day
    housing: Name = DEFAULT_HOUSING
    zone: ZoneName = Field("UTC", description="where that day begins and ends")
    note: Words | None = Field(
        None,
        max_length=400,
        description="left out: what stands beside the planned day stays, until its change is made; empty: it "
        "is taken away",
    )
    seen: Words | None = Field(
        None,
        max_length=40,
        description="planned_at of the plan that was seen, none: no day was planned; another by now: 409 "
        "`planned_since`. Left out: whatever is planned is replaced",
        examples=["2026-03-02T09:00:00Z"],
    )
    confirmed_because: Because = Field(
        "",
        max_length=400,
        description="why the day holds although it cannot, by the forecast, the calendar or its distance; "
        "send the day again with this",
    )


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


# ---------------------------------------------------------------- the hour meter


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
    at_us = _past(body.at, "#/at", act.now_us)
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
        raise _differs(given.entry_id, f"{same.meter_h:g} h at {text(same.at_us)}")


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


def _differs(entry_id: str, there: str) -> Refused:
    return Refused("entry_differs", status=409, entry_id=entry_id, there=there)


def _past(at: str, pointer: str, now_us: int) -> int:
    """An instant that has been. Raises Refused (422)."""
    at_us = us(at)
    assert at_us is not None
    if at_us > now_us + AHEAD_US:
        raise NotValid(Complaint(pointer, "read_in_the_future", at=at, now=text(now_us)))
    return at_us


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


# ---------------------------------------------------------------- the gauge


@router.post(
    "/v1/machines/{machine}/gauge-readings",
    summary="Enter restriction as a person read it",
    response_model=GaugesAnswer,
    responses=problems(404, 409),
)
@example(
    {"at": "2026-03-01T06:00:00Z", "value": 3.3, "unit": "kPa", "housing": "{housing}"},
    plain="at source latched entry_id",
)
def post_gauge_reading(
    machine: PathName, body: NewGaugeReading, request: Request, resources: R, key: Writer
) -> dict[str, Any]:
    """
    Enter what a hand gauge or the machine's own indicator shows.

    The answer says it beside what cleanside says for that instant, by the readings alone. It corrects the
    level of the machine as far as the readings bear it out; taken back, it no longer counts.
    """
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)
    housing = resources.writer.call(lambda connection: keep_gauge(connection, act, body))
    return gauges_document(request, resources, key, housing)


def keep_gauge(connection: sa.Connection, act: Act, body: NewGaugeReading) -> HousingRow:
    """Keep what a gauge shows. Raises Refused, and then wrote nothing."""
    at_us = _past(body.at, "#/at", act.now_us)
    given = gauge_of(body, at_us, body.entry_id or f"{body.source}-{at_us}", act.key, act.now_us, "#")
    housing = find_housing(connection, act.key, act.machine, body.housing)
    check_gauge(connection, housing.id, given, "#")
    if papers.put_gauge(connection, housing.id, given) is None:
        note_act(connection, act, "gauge_reading", body)
    return housing


@router.get(
    "/v1/machines/{machine}/gauge-readings",
    summary="Restriction as people read it",
    response_model=GaugesAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_gauge_readings(
    machine: PathName, request: Request, resources: R, key: Reader, housing: Name = DEFAULT_HOUSING
) -> dict[str, Any]:
    """What was read of a housing's gauges, beside what cleanside says for the same instants."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
    return gauges_document(request, resources, key, found)


def gauge_of(
    body: GaugeShowing, at_us: int, entry_id: str, key: Key, now_us: int, pointer: str
) -> GaugeReading:
    """A body as a reading of a gauge. Raises Refused (422) without a number in its unit, or latched."""
    if (body.value is None) != (body.unit is None) or (body.value is None and body.latched is None):
        raise NotValid(Complaint(f"{pointer}/value", "gauge_shows_nothing"))
    restriction_pa = None
    if body.value is not None and body.unit is not None:
        require_unit(body.unit, f"{pointer}/unit")
        restriction_pa = to_si(body.value, body.unit, "restriction")
    return GaugeReading(
        entry_id=entry_id,
        at_us=at_us,
        entered_us=now_us,
        who=key.handle,
        source=body.source,
        value=body.value,
        unit=body.unit,
        restriction_pa=restriction_pa,
        latched=body.latched,
    )


def check_gauge(connection: sa.Connection, housing_id: int, given: GaugeReading, pointer: str) -> None:
    """Before anything is written. Raises Refused: 409 for another content under its id, 422 for a doubt."""
    known = papers.gauges_of(connection, housing_id)
    there = next((gauge for gauge in known if gauge.entry_id == given.entry_id), None)
    if there is None and (given.restriction_pa or 0.0) > MOST_GAUGE_PA:
        about = {"value": given.value, "unit": given.unit, "most_kpa": MOST_GAUGE_PA / 1000}
        raise NotValid(Complaint(f"{pointer}/value", "gauge_beyond", **about))
    if there is not None and (there.at_us, there.source, there.value, there.unit, there.latched) != (
        given.at_us,
        given.source,
        given.value,
        given.unit,
        given.latched,
    ):
        raise _differs(given.entry_id, f"{there.value} {there.unit} at {text(there.at_us)}")


def gauges_document(request: Request, resources: R, key: Key, housing: HousingRow) -> dict[str, Any]:
    """What was read of a housing's gauges, beside what cleanside says for the same instants."""
    with resources.reading() as connection:
        readings = papers.gauges_of(connection, housing.id)
        judge = services_of(request).judge(connection, key)
        view = judge.view(housing)
        series, until_s = judge.series_alone(view), view.assessment.study.trusted_until_s
        terminals = fleet.terminals_of(connection, housing.id)
    return {
        "machine": housing.machine,
        "housing": housing.name,
        "gauge_readings": [
            gauge_document(reading, readings, series, terminals, trusted_until_s=until_s)
            for reading in readings
        ],
    }


def gauge_document(
    reading: GaugeReading,
    every: Iterable[GaugeReading],
    series: HourlyRestriction,
    terminals: Sequence[TerminalRow],
    *,
    trusted_until_s: float,
) -> dict[str, Any]:
    """
    A reading of a gauge beside what cleanside says for that instant.

    every : readings of the housing's gauges, this one too: one that is asked about is none any more where a
    second look shows the same. trusted_until_s : as of the study; a level after it is no reason to doubt a
    gauge.
    """
    beside = _GaugeBeside(series, terminals, trusted_until_s)
    said = level_at(series, reading.at_us / MICRO)
    difference = None
    if said is not None and reading.restriction_pa is not None:
        difference = reading.restriction_pa - said[1]
    limit = terminal_at(terminals, reading.at_us)
    doubt = beside.doubt_of(reading)
    if doubt is not None and is_shown_again(_look(reading), map(_look, filter(beside.doubt_of, every))):
        doubt = None
    return {
        "entry_id": reading.entry_id,
        "at": text(reading.at_us),
        "entered_at": text(reading.entered_us),
        "who": reading.who,
        "source": reading.source,
        "value": reading.value,
        "unit": reading.unit,
        "restriction_pa": reading.restriction_pa,
        "latched": reading.latched,
        "cleanside_pa": None if said is None else said[1],
        "cleanside_hour": None if said is None else text(round(said[0]) * MICRO),
        "difference_pa": difference,
        "limit_pa": None if limit is None else limit.restriction_pa,
        "is_doubtful": doubt is not None,
        "meant_unit": None if doubt is None else doubt.meant_unit,
    }


def _look(reading: GaugeReading) -> DoubtedLook:
    return DoubtedLook(reading.at_us / MICRO, reading.restriction_pa or 0.0)


class _GaugeBeside(NamedTuple):
    """What a gauge is compared with."""

    series: HourlyRestriction
    terminals: Sequence[TerminalRow]
    trusted_until_s: float

    def doubt_of(self, reading: GaugeReading) -> GaugeDoubt | None:
        """What to ask about a gauge; None: it fits, or has no number."""
        if reading.value is None or reading.unit is None or reading.restriction_pa is None:
            return None
        said = level_at(self.series, reading.at_us / MICRO)
        limit = terminal_at(self.terminals, reading.at_us)
        return gauge_doubt(
            reading.value,
            own_name(reading.unit, "restriction"),
            reading.restriction_pa,
            limit_pa=None if limit is None else limit.restriction_pa,
            level_pa=None if said is None or said[0] > self.trusted_until_s else said[1],
            limit_unit=gauge_unit(limit),
        )


def level_at(series: HourlyRestriction, at_s: float) -> tuple[float, float] | None:
    """
    (hour [s], restriction at the reference flow [Pa]) of the last operating hour that had ended by then.

    Ended, because at a service the gauge is read first and the hour goes on with another element. None: the
    day before has none.
    """
    known = np.isfinite(series.restriction_pa) & (series.hour_s + HOUR_S <= at_s)
    if not known.any():
        return None
    place = int(np.flatnonzero(known)[-1])
    hour_s = float(series.hour_s[place])
    return (hour_s, float(series.restriction_pa[place])) if at_s - hour_s <= MOST_APART_S else None


# ---------------------------------------------------------------- the planned change


@router.post(
    "/v1/machines/{machine}/planned-change",
    summary="Plan a change for a day",
    response_model=PlannedAnswer,
    responses=problems(404, 409),
)
@example(
    {"on": "2026-03-04", "zone": "Europe/Vienna", "housing": "{housing}"},
    plain="on zone seen confirmed_because",
)
def post_planned_change(
    machine: PathName, body: NewPlan, request: Request, resources: R, key: Writer
) -> dict[str, Any]:
    """
    Say on which day an element is meant to be changed; the day before it is replaced.

    Where the day passes without a fall in restriction or an entry, the machine stands first in /v1/fleet. So
    it does where a change becomes known that was made before: planning the same day again then keeps it.
    A day on which the element is likely at its limit already, a day far ahead and one without work are
    refused with a question: correct the day, or say by `confirmed_because` why it is meant.
    """
    now_us = resources.clock()
    passes_us = end_of_day_us(body.on, ZoneInfo(body.zone))
    if passes_us <= now_us:
        raise NotValid(Complaint("#/on", "planned_day_over", on=body.on, now=text(now_us)))
    if passes_us > now_us + MOST_PLANNED_US:
        raise NotValid(Complaint("#/on", "planned_day_beyond", on=body.on, now=text(now_us)))
    with resources.reading() as connection:
        housing = find_housing(connection, key, machine, body.housing)
        view: View = services_of(request).judge(connection, key).view(housing)
        planned = view.papers.planned
        is_same = planned is not None and planned.planned_on == body.on  # asked about as it was planned
        if not (body.confirmed_because or is_same):
            ask_of_day(connection, key.owner_id, view, body.on, body.zone)
    kept_us = kept_after_us(planned, body.on, view.assessment.study, now_us)
    note = body.note
    if note is None:
        is_done = state_of_plan(planned, view.assessment.study, now_us) == "done"
        note = "" if planned is None or is_done else planned.note
    new = PlannedChange(body.on, passes_us, now_us, key.handle, note, kept_us)

    def save(connection: sa.Connection) -> HousingRow:
        housing = find_housing(connection, key, machine, body.housing)
        refuse_unseen_plan(connection, housing, body.seen)
        papers.put_planned(connection, housing.id, new)
        about = {"machine": machine, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "planned_change", **about)
        return housing

    return _planned_answer(request, resources, key, resources.writer.call(save))


@router.delete(
    "/v1/machines/{machine}/planned-change",
    summary="Take a planned change back",
    response_model=PlannedAnswer,
    responses=problems(404, 409),
)
@example(query={"housing": "{housing}"}, plain="seen")
def delete_planned_change(
    machine: PathName,
    request: Request,
    resources: R,
    key: Writer,
    housing: Name = DEFAULT_HOUSING,
    seen: Annotated[str | None, Query(max_length=40, description="as of a new plan")] = None,
) -> dict[str, Any]:
    """No day is meant any more. Where none was, nothing changes."""

    def save(connection: sa.Connection) -> HousingRow:
        found = find_housing(connection, key, machine, housing)
        refuse_unseen_plan(connection, found, seen)
        papers.take_planned_back(connection, found.id)
        about = {"machine": machine, "housing": housing}
        now_us = resources.clock()
        audit.note(connection, key.owner_id, now_us, key.handle, "planned_change_taken_back", **about)
        return found

    return _planned_answer(request, resources, key, resources.writer.call(save))


def planned_of(connection: sa.Connection, housing: HousingRow) -> PlannedChange | None:
    """The planned change of a housing; None: none is planned."""
    known = papers.papers_where(connection, "housings.id = ?", (housing.id,))
    return known.get(housing.id, NO_PAPERS).planned


def refuse_unseen_plan(connection: sa.Connection, housing: HousingRow, seen: str | None) -> None:
    """A plan that was made since is not overwritten. Raises Refused (409) with what is planned."""
    if seen is None:
        return
    planned = planned_of(connection, housing)
    if seen == (NONE_PLANNED if planned is None else text(planned.planned_us)):
        return
    if planned is None:
        raise Refused("plan_taken_back_since", status=409, code="planned_since", machine=housing.machine)
    about: dict[str, Any] = {"on": planned.planned_on, "by": planned.who, "note": planned.note}
    raise Refused("planned_since", status=409, machine=housing.machine, **about)


def _planned_answer(request: Request, resources: R, key: Key, housing: HousingRow) -> dict[str, Any]:
    with resources.reading() as connection:
        judge: Judge = services_of(request).judge(connection, key)
        seen: View = judge.view(housing)
    return {"machine": housing.machine, "housing": housing.name, "planned": planned_document(seen)}
