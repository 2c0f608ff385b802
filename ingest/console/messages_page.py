"""
Messages: what cannot wait, which messages one gets and when. For an admin: what was not delivered, and to
whom a matter goes that no person answers.

Its JSON twins are `/v1/matters`, `/v1/me/messages`, `/v1/messages` and `/v1/message-rules`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Path, Request, Response

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.analysis.wrong_since import wrong_since_s
from cleanside.ingest.api.routes.calendars import (
    NewCalendar,
    delete_calendar,
    get_my_calendars,
    post_calendar,
)
from cleanside.ingest.api.routes.matters import get_matters, post_matter_answer
from cleanside.ingest.api.routes.messages import (
    MessageRules,
    get_message_rules,
    listed,
    patch_message_rules,
    post_message_replay,
)
from cleanside.ingest.api.routes.my_messages import (
    MessageWishes,
    get_my_messages,
    patch_my_messages,
    post_trial_message,
)
from cleanside.ingest.api.routes.paging import Page
from cleanside.ingest.api.routes.people import list_people
from cleanside.ingest.api.routes.restriction import document_of, views_of
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.console.fleet_page import machine_address
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.letters import MESSAGES
from cleanside.ingest.console.rendering import formats_of, may, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.shop_page import names_of
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.messages.matters import CHECK_FIRST, DUST, Name, of_housings
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.message_choices import DIGESTS
from cleanside.ingest.store.messages import GIVEN_UP

router = page_router()

Me = Annotated[Key, Depends(page_needs("me:manage"))]
Answerer = Annotated[Key, Depends(page_needs("changes:write"))]
Manager = Annotated[Key, Depends(page_needs("messages:manage"))]
Number = Annotated[int, Path(ge=1, le=2**53)]
MOST_SHOWN = 50  # messages that were given up; the JSON twin has the rest; chosen
#: what may be wrong with a form of this page, said in words of its own
_OWN_FAULTS = frozenset(
    {"not_an_address_of_mail", "quiet_hours_half", "no_way_to_person", "unknown_name", "too_many_calendars"}
)


@router.get(MESSAGES)
def get_messages_page(request: Request, resources: R, key: Me) -> Response:
    """What cannot wait, and which messages one gets."""
    return _page(request, resources, key)


def _page(
    request: Request, resources: R, key: Key, fault: FormFault | None = None, *, made: str | None = None
) -> Response:
    """made : the address of a new calendar, shown this once."""
    chosen = get_my_messages(resources, key)
    open_matters = get_matters(resources, key)["matters"]
    unannounced = unannounced_of(request, resources, key, {(m["kind"], m["subject"]) for m in open_matters})
    zone = viewer_of(request, key).zone.key
    return render(
        request,
        "messages.html",
        key=key,
        status=200 if fault is None else fault.status,
        matters=open_matters,
        matter_said=matter_said,
        unannounced=unannounced or [],
        is_known=unannounced is not None,
        chosen=chosen,
        next_digest=_next_digest(request, key, chosen),
        zone=chosen["zone"] if chosen["address"] else zone,
        calendars=get_my_calendars(resources, key)["calendars"],
        sites=names_of(get_shop(resources, key))["site"],
        made=made,
        digests=DIGESTS,
        of_all=_of_all(resources, key) if may(key, "messages:manage") else None,
        fault=fault,
    )


def _next_digest(request: Request, key: Key, chosen: Mapping[str, Any]) -> str | None:
    """When the next summary is due, in the zone of its own time, not of the page; None: never."""
    if chosen["digest_next_at"] is None:
        return None
    formats = formats_of(request, replace(viewer_of(request, key), zone=ZoneInfo(chosen["zone"])))
    return f"{formats.minute(chosen['digest_next_at'])} ({formats.zone_name})"


def unannounced_of(
    request: Request, resources: R, key: Key, announced: Collection[Name]
) -> list[dict[str, Any]] | None:
    """
    Housings that cannot wait now and are no matter yet: matters are looked for only where messages go out.

    announced : kind and subject of the open matters. None: the fleet is still being worked out.
    """
    try:
        views = views_of(request, resources, key, resources.clock())
    except TryAgain:
        return None
    looks = [(view, of_housings([view])) for view in views if may(key, "fleet:read")]
    found = [(view, seen) for view, look in looks for seen in look.findings if seen.name not in announced]
    with resources.reading() as connection:
        judge = services_of(request).judge(connection, key)
        since = [wrong_since_s(judge, view) for view, _ in found]
    return [
        {"said": matter_said(seen.kind, seen.severity), "since_s": since_s, **_place_of(view)}
        for (view, seen), since_s in zip(found, since, strict=True)
    ]


def matter_said(kind: str, severity: int) -> str:
    """The key of what is said of an open matter: the strongest that is known of it."""
    return f"letter.{kind}.{'dust' if kind == CHECK_FIRST and severity >= DUST else 'opened'}"


def _place_of(view: View) -> dict[str, str]:
    """A housing as a row of the page."""
    known = document_of(view)
    return {"called": known["display_name"] or known["machine"], "address": machine_address(known)}


def _of_all(resources: R, key: Key) -> dict[str, Any]:
    """What an admin sees beside: messages that were given up, and the rules."""
    everyone, _ = list_people(resources, key, Page.whole())
    given_up = listed(resources, key, state=GIVEN_UP, limit=MOST_SHOWN)
    return {
        "given_up": given_up,
        "rules": get_message_rules(resources, key),
        "people": [person for person in everyone if person["state"] == "valid"],
    }


@router.post(MESSAGES)
def post_messages_page(request: Request, resources: R, key: Me, fields: Fields) -> Response:
    """Keep which messages one wants."""
    values: dict[str, Any] = {
        "address": trimmed_field(fields, "address"),
        "alerts": [str(kind) for kind in fields.getlist("alerts")],
        "digest": text_of_field(fields, "digest"),
        "digest_at": text_of_field(fields, "digest_at")[:5],
        "zone": trimmed_field(fields, "zone"),
        "quiet_from": text_of_field(fields, "quiet_from")[:5] or None,
        "quiet_until": text_of_field(fields, "quiet_until")[:5] or None,
    }
    try:
        patch_my_messages(read_form(MessageWishes, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, _fault(error))
    return see_other(f"{MESSAGES}#mine")


@router.post("/messages/test")
def post_messages_test(request: Request, resources: R, key: Me) -> Response:
    """Send oneself a message."""
    try:
        post_trial_message(resources, key)
    except FAULTS as error:
        return _page(request, resources, key, _fault(error))
    return see_other(f"{MESSAGES}#mine")


@router.post("/messages/calendars")
def post_calendar_page(request: Request, resources: R, key: Me, fields: Fields) -> Response:
    """Make a calendar. The answer is the page itself: the address is shown this once."""
    viewer = viewer_of(request, key)
    values = {
        "site": text_of_field(fields, "site") or None,
        "zone": trimmed_field(fields, "zone"),
        "language": viewer.language,
    }
    try:
        made = post_calendar(read_form(NewCalendar, values), request, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, _fault(error))
    return _page(request, resources, key, made=made["link"])


@router.post("/messages/calendars/{calendar}/end")
def post_calendar_end(calendar: Number, resources: R, key: Me) -> Response:
    """End a calendar."""
    delete_calendar(calendar, resources, key)
    return see_other(f"{MESSAGES}#calendars")


@router.post("/messages/matters/{matter}/answer")
def post_matter_answer_page(matter: Number, resources: R, key: Answerer) -> Response:
    """Say that one sees to a matter."""
    post_matter_answer(matter, resources, key)
    return see_other(f"{MESSAGES}#matters")


@router.post("/messages/{message}/replay")
def post_message_replay_page(message: Number, resources: R, key: Manager) -> Response:
    """Have a message sent again."""
    post_message_replay(message, resources, key)
    return see_other(f"{MESSAGES}#given-up")


@router.post("/messages/rules")
def post_message_rules_page(request: Request, resources: R, key: Manager, fields: Fields) -> Response:
    """Keep to whom a matter goes that no person answers."""
    hours = trimmed_field(fields, "escalate_after_h")
    values = {
        "person": text_of_field(fields, "person") or None,
        "escalate_after_h": int(hours) if hours.isascii() and hours.isdecimal() and len(hours) < 10 else 0,
    }
    try:
        patch_message_rules(read_form(MessageRules, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, _fault(error))
    return see_other(f"{MESSAGES}#rules")


def _fault(error: Exception) -> FormFault:
    """What is wrong, in words of this page where it has them."""
    if isinstance(error, Refused) and error.case in _OWN_FAULTS:
        return FormFault(error.case, error.status, error.values)
    return fault_of(error)
