"""Calendars of a person: secret addresses for programs that cannot sign in, made, listed and ended."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Path, Request
from pydantic import Field

from cleanside.ingest.analysis.assessment import Judge
from cleanside.ingest.api.routes.described_kinds import Language
from cleanside.ingest.api.routes.described_messages import CalendarEnded, CalendarMade, CalendarsAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.on_list import OnList, on_list
from cleanside.ingest.api.routes.paper_shapes import ZoneName, planned_document
from cleanside.ingest.api.routes.restriction import dates_of, rest_on
from cleanside.ingest.api.routes.sessions import Me
from cleanside.ingest.api.routes.shared import Name, R, Strict, problems, router_of, text
from cleanside.ingest.api.routes.signed_in import own_address
from cleanside.ingest.errors import NotFound, Refused
from cleanside.ingest.messages.calendar_days import WantedDay
from cleanside.ingest.owners import sessions
from cleanside.ingest.owners.access import hash_of, sees_site
from cleanside.ingest.shop.advice import advice_of
from cleanside.ingest.shop.work_list import ListDays
from cleanside.ingest.store import audit, calendars
from cleanside.ingest.store.calendars import CalendarLink
from cleanside.ingest.store.keys import Key

router = router_of("messages")

CALENDARS_PATH = "/calendars"
MOST_CALENDARS = 10  # of a person; chosen
AHEAD_US = 180 * 86_400_000_000  # a likely date beyond is no plan yet; chosen
CalendarId = Annotated[int, Path(ge=1, le=2**53, description="number of the calendar", examples=[1])]


class NewCalendar(Strict):
    """A calendar for a program that cannot sign in."""

    site: Name | None = Field(None, description="the one site it shows; null: all that the person sees")
    zone: ZoneName = Field("UTC", description="where days begin and end")
    language: Language = Field("en", description="of the events")


@router.get("/v1/me/calendars", summary="One's calendars", response_model=CalendarsAnswer)
def get_my_calendars(resources: R, key: Me) -> dict[str, Any]:
    """The calendars of the person who is signed in, without their addresses."""
    with resources.reading() as connection:
        links = calendars.of_person(connection, -key.id)
    return {"calendars": [_document(link) for link in links]}


@router.post(
    "/v1/me/calendars",
    status_code=201,
    summary="Make a calendar",
    response_model=CalendarMade,
    responses=problems(403, 409),
)
@example({"site": "{site}", "zone": "Europe/Vienna", "language": "de"})
def post_calendar(body: NewCalendar, request: Request, resources: R, key: Me) -> dict[str, Any]:
    """Make a calendar (RFC 5545). Its address is shown this once; whoever has it reads the calendar."""
    if body.site is not None and not sees_site(key, body.site):
        sites = ", ".join(sorted(key.sites))
        raise Refused("site_not_seen", status=403, code="site_not_yours", sites=sites)
    token = sessions.new_token()
    made_link = f"{own_address(request)}{CALENDARS_PATH}/{token}.ics"

    def save(connection: sa.Connection) -> CalendarLink:
        if len(calendars.of_person(connection, -key.id)) >= MOST_CALENDARS:
            raise Refused("too_many_calendars", status=409, most=MOST_CALENDARS)
        now_us = resources.clock()
        values = body.model_dump() | {"person_id": -key.id, "token_hash": hash_of(token)}
        made = calendars.create(connection, **values, created_us=now_us)
        audit.note(connection, key.owner_id, now_us, key.handle, "calendar_made", calendar=made.id)
        return made

    made = resources.writer.call(save)
    return _document(made) | {"link": made_link}


@router.delete(
    "/v1/me/calendars/{calendar}",
    summary="End a calendar",
    response_model=CalendarEnded,
    responses=problems(404),
)
def delete_calendar(calendar: CalendarId, resources: R, key: Me) -> dict[str, Any]:
    """End a calendar: its address answers no more."""

    def save(connection: sa.Connection) -> None:
        now_us = resources.clock()
        if not calendars.end(connection, -key.id, calendar, now_us):
            raise NotFound("calendar", str(calendar))
        audit.note(connection, key.owner_id, now_us, key.handle, "calendar_ended", calendar=calendar)

    resources.writer.call(save)
    return {"calendar": calendar, "ended": True}


def _document(link: CalendarLink) -> dict[str, Any]:
    return {
        "calendar": link.id,
        "site": link.site,
        "zone": link.zone,
        "language": link.language,
        "created_at": text(link.created_us),
    }


# ---------------------------------------------------------------- what a calendar shows


def events_of(
    connection: sa.Connection, judge: Judge, key: Key, *, site: str | None, zone: str
) -> list[dict[str, Any]]:
    """
    Changes that are planned, likely or due now, services, and what is checked first, of machines of a person.

    Where readings are doubted, the dates that follow from them are none.
    """
    days = ListDays(ZoneInfo(zone), judge.now_us / 1e6, before=date.max)
    every = on_list(connection, judge, key, days)
    wanted = [seen for seen in every.values() if site in (None, seen.view.papers.machine.site)]
    today = days.today.isoformat()
    checks = [_check(seen, today) for seen in wanted if seen.view.assessment.is_looked_at_first]
    changes = [event for seen in wanted if (event := _change(seen, judge.now_us, today)) is not None]
    services = {event["event"]: event for seen in wanted for event in _services(seen, days)}
    return [*checks, *changes, *services.values()]


def day_of(event: dict[str, Any]) -> WantedDay:
    """When an event should be."""
    return WantedDay(event=event["event"], on=event["on"], date_us=event["date_us"])


def _check(seen: OnList, today: str) -> dict[str, Any]:
    """What is looked at before anyone trusts the figures: today, until it is settled."""
    about = _about(seen) | {"event": f"check/{seen.view.housing.machine}/{seen.view.housing.name}"}
    about |= {"due_at": None, "planned": None, "service": None}
    return about | {"what": "check", "on": today, "date_us": None}


def _change(seen: OnList, now_us: int, today: str) -> dict[str, Any] | None:
    """The next change of a housing; None: none is seen yet."""
    assessment, planned = seen.view.assessment, planned_document(seen.view)
    about = _about(seen) | {"event": f"change/{seen.view.housing.machine}/{seen.view.housing.name}"}
    is_doubted = assessment.is_looked_at_first
    about |= {
        "due_at": None if is_doubted else dates_of(assessment.due_s),
        "dates_rest_on": rest_on(assessment),
    }
    about |= {"planned": planned, "service": None}
    if planned is not None and planned["state"] == "open":
        return about | {"what": "planned", "on": planned["on"], "date_us": None}
    if planned is not None and planned["state"] == "overtaken" and planned["on"] >= today:
        return about | {"what": "asked", "on": planned["on"], "date_us": None}
    if assessment.state in ("over", "due"):
        return about | {"what": "due", "on": None, "date_us": None}
    likely_us = None if assessment.due_s is None else round(assessment.due_s.p50 * 1e6)
    if is_doubted or likely_us is None or likely_us > now_us + AHEAD_US:
        return None
    return about | {"what": "likely", "on": None, "date_us": max(likely_us, now_us)}


def _services(seen: OnList, days: ListDays) -> Iterator[dict[str, Any]]:
    """The next service of a machine, if it is seen."""
    service_s, machine = seen.candidate.service_s, seen.view.papers.machine
    if service_s is None or service_s * 1e6 > days.now_s * 1e6 + AHEAD_US:
        return
    by_day = days.of(service_s).isoformat()
    about = _about(seen) | {"event": f"service/{seen.view.housing.machine}", "due_at": None, "planned": None}
    on = by_day if by_day == machine.service_on else None
    date_us = None if on is not None else round(service_s * 1e6)
    yield about | {"what": "service", "service": machine.service, "on": on, "date_us": date_us}


def _about(seen: OnList) -> dict[str, Any]:
    housing, found = seen.view.housing, seen.view.assessment
    return {
        "state": found.state,
        "state_form": seen.view.state_form,
        "is_checked": found.is_looked_at_first,
        "advice_code": advice_of(found, seen.view.papers).code,
        "causes": [suspicion.cause for suspicion in found.study.suspicions],
        "machine": housing.machine,
        "display_name": housing.display_name,
        "housing": housing.name,
        "site": seen.view.papers.machine.site,
        "primary_part": seen.view.papers.housing.primary_part,
    }
