"""Restriction as people read it, beside what cleanside says for the same instant."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any, NamedTuple

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Request
from pydantic import Field

from cleanside.gateway.units import own_name, to_si
from cleanside.ingest.analysis.assessment import gauge_unit, terminal_at
from cleanside.ingest.api.routes.described_kinds import GaugeSource
from cleanside.ingest.api.routes.described_shop import GaugesAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, Reader, find_housing, require_unit
from cleanside.ingest.api.routes.read_by_people import entry_differs, past_instant
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
)
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.verdict.gauge_doubt import (
    DoubtedLook,
    GaugeDoubt,
    gauge_doubt,
    is_shown_again,
)
from cleanside.ingest.store import fleet, papers
from cleanside.ingest.store.fleet import HousingRow, TerminalRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import GaugeReading

router = router_of("shop")

MICRO = 1_000_000
HOUR_S = 3_600
#: a gauge for intake restriction shows no more: 100 inH2O, common practice (chosen) [Pa]
MOST_GAUGE_PA = 25_000.0
MOST_APART_S = 86_400.0  # of a gauge and the operating hour it is compared with; chosen

Writer = Annotated[Key, Depends(needs("changes:write"))]


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
    at_us = past_instant(body.at, "#/at", act.now_us)
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
        raise entry_differs(given.entry_id, f"{there.value} {there.unit} at {text(there.at_us)}")


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
