"""
A calendar as a file (RFC 5545): changes and services of the machines that a person sees, by secret address.

Promises: an event keeps its identity for as long as its calendar lasts, is all-day and blocks no time
(TRANSPARENT), and moves only with `SEQUENCE` one higher. An address that is unknown, ended, or of a person
who may not sign in gets one answer, and trying addresses is slowed.
Leaves to others: when an event moves (`ingest.messages.calendar_days`), what there is
(`ingest.api.routes.calendars`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, NamedTuple
from zoneinfo import ZoneInfo

from fastapi import Path, Request, Response
from icalendar import Calendar, Event

from cleanside.ingest.api.routes.calendars import CALENDARS_PATH, day_of, events_of
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import R, open_to_all
from cleanside.ingest.api.routes.signed_in import known_address
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.letters import called, noon_of
from cleanside.ingest.console.plan_words import plan_said
from cleanside.ingest.console.routing import page_router
from cleanside.ingest.console.said_words import caution_of
from cleanside.ingest.console.viewer import locale_of
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import NotFound
from cleanside.ingest.messages.calendar_days import moves_of
from cleanside.ingest.owners.access import hash_of, sees_site
from cleanside.ingest.store import calendars, people
from cleanside.ingest.store.calendars import CalendarLink, ShownDay
from cleanside.ingest.store.people import VALID, Person

router = page_router()

REFRESH = timedelta(hours=1)  # RFC 7986 section 5.7
#: events that no person decided on: RFC 5545 section 3.8.1.11, TENTATIVE
UNSURE = frozenset({"likely", "asked"})
Token = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$")]


class CalendarReader(NamedTuple):
    """Whose calendar it is, and how they read."""

    link: CalendarLink
    person: Person
    say: Sayer
    #: where the pages are; None: it is not sure, and events have no link
    pages: str | None


@router.get(f"{CALENDARS_PATH}/{{token}}.ics")
@open_to_all
def get_calendar(token: Token, request: Request, resources: R) -> Response:
    """The calendar of an address."""
    link, person = _opened(request, resources, token)
    services, now_us, key = services_of(request), resources.clock(), person.as_key()
    with resources.reading() as connection:
        judge = services.judge(connection, key, now_us=now_us)
        events = events_of(connection, judge, key, site=link.site, zone=link.zone)
        shown = calendars.days_of(connection, link.id)
    moved = moves_of(map(day_of, events), shown, ZoneInfo(link.zone), now_us)
    if moved:
        resources.writer.call(lambda connection: calendars.keep_days(connection, link.id, moved))
    formats = Formats(locale_of("", link.language), ZoneInfo(link.zone), now_us / 1e6)
    reader = CalendarReader(link, person, Sayer(link.language, formats), known_address(request))
    content = _file(reader, events, shown | moved)
    headers = {
        "Cache-Control": "private, no-cache",
        "Content-Disposition": 'inline; filename="cleanside.ics"',
    }
    return Response(content, media_type="text/calendar; charset=utf-8", headers=headers)


def _opened(request: Request, resources: R, token: str) -> tuple[CalendarLink, Person]:
    """Whose calendar it is. Raises NotFound, and Refused (429) for who tries too many addresses."""
    limits, host = services_of(request).limits, host_of(request)
    limits.may_try(host)
    with resources.reading() as connection:
        link = calendars.with_token(connection, hash_of(token))
        person = None if link is None else people.by_id(connection, link.person_id)
    if link is None or person is None or not _may_read(link, person):
        limits.tried_in_vain(host)
        raise NotFound("calendar", f"{token[:4]}...")
    return link, person


def _may_read(link: CalendarLink, person: Person) -> bool:
    sees = link.site is None or sees_site(person.as_key(), link.site)
    return person.state == VALID and sees


def _file(reader: CalendarReader, events: list[dict[str, Any]], shown: Mapping[str, ShownDay]) -> bytes:
    made = Calendar()
    made.add("prodid", "-//cleanside//calendar//EN")
    made.add("version", "2.0")
    made.add("name", reader.say.plain("calendar.name"))
    made.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for event in events:
        made.add_component(_event(reader, event, shown[event["event"]]))
    return bytes(made.to_ical())


def _event(reader: CalendarReader, event: Mapping[str, Any], shown: ShownDay) -> Event:
    day, moved = date.fromisoformat(shown.day), datetime.fromtimestamp(shown.moved_us // 1_000_000, UTC)
    made = Event()
    made.add("uid", uid_of(reader.link, event["event"]))
    made.add("dtstamp", moved)
    made.add("last-modified", moved)
    made.add("sequence", shown.sequence)
    made.add("dtstart", day)
    made.add("dtend", day + timedelta(days=1))
    made.add("transp", "TRANSPARENT")
    made.add("status", "TENTATIVE" if event["what"] in UNSURE else "CONFIRMED")
    service = event["service"] or reader.say.plain("work.service")
    step = reader.say.plain(f"fleet.next.{event['advice_code']}") if event["is_checked"] else ""
    words = {"called": called(event), "service": service, "step": step}
    made.add("summary", reader.say.plain(f"calendar.{event['what']}", **words))
    made.add("description", "\n".join(_lines(reader, event)))
    if reader.pages is not None:
        made.add("url", f"{reader.pages}/machines/{event['machine']}")
    return made


def _lines(reader: CalendarReader, event: Mapping[str, Any]) -> list[str]:
    """The text of an event: what to check, dates, who planned it, the part, that it is advice."""
    say, due, planned = reader.say, event["due_at"], event["planned"]
    lines = [event["machine"]] if event["display_name"] else []
    if event["is_checked"]:
        lines += _check_lines(say, event)
    elif event["state"] == "over":
        lines.append(say.plain("calendar.reached"))
    elif due is not None:
        lines.append(say.plain("calendar.dates", early=due["p10"], likely=due["p50"], late=due["p90"]))
        if event["dates_rest_on"] != "element":
            lines.append(say.plain(f"state.rest_on.{event['dates_rest_on']}"))
    if event["what"] in ("planned", "asked") and planned is not None:
        on = say.formats.day(noon_of(say.formats, planned["on"]))
        said = plan_said(say.plain, planned, on=on, by=planned["by"])
        lines += [said, *filter(None, [planned["note"]])]
    if event["what"] not in ("service", "asked", "check") and event["primary_part"]:
        lines.append(say.plain("work.part", part=event["primary_part"]))
    return [*lines, say.plain("layout.advice_only")]


def _check_lines(say: Sayer, event: Mapping[str, Any]) -> list[str]:
    """State, advice, causes and cautions, in the words of the machine's page."""
    causes = "; ".join(say.plain(f"said.cause.{cause}") for cause in event["causes"])
    state = say.plain(f"state.{event['state_form']}")
    caution = caution_of(say, event["advice_code"])
    return [
        f"{state}: {causes}" if causes else state,
        say.plain(f"said.{event['advice_code']}"),
        *([] if caution is None else [caution.unescape()]),
    ]


def uid_of(link: CalendarLink, event: str) -> str:
    """The identity of an event in one calendar (RFC 7986 section 5.3: nothing of it can be read back)."""
    return f"{hashlib.sha256(f'{link.token_hash}/{event}'.encode()).hexdigest()[:32]}@cleanside"
