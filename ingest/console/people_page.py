"""
People: who is here, in which role; invited, changed, given a new link, revoked.

Its JSON twins are the routes of `/v1/people`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Request, Response
from starlette.datastructures import FormData

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.people import (
    NewPerson,
    PersonChange,
    delete_person,
    list_people,
    patch_person,
    post_person,
    post_person_reset,
)
from cleanside.ingest.api.routes.shared import PathName, R
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    is_sure,
    names_of_field,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.rendering import address_with, ask_first, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.owners.access import PEOPLE_ROLES
from cleanside.ingest.store import shop
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import INVITED

router = page_router()

Admin = Annotated[Key, Depends(page_needs("people:manage"))]
PageOfPeople = Annotated[Page, Depends(paged())]
PEOPLE = "/people"


@router.get(PEOPLE)
def get_people_page(request: Request, resources: R, key: Admin, page: PageOfPeople) -> Response:
    """Everybody, by name, and the form that invites somebody."""
    return _page(request, resources, key, page)


def _page(
    request: Request,
    resources: R,
    key: Key,
    page: Page,
    *,
    invited: dict[str, Any] | None = None,
    fault: FormFault | None = None,
    kept: Mapping[str, str] | None = None,
) -> Response:
    """invited : whose link is shown, this once. kept : what an invitation held that was not taken."""
    people, cursor = list_people(resources, key, page)
    return render(
        request,
        "people.html",
        key=key,
        status=200 if fault is None else fault.status,
        people=people,
        ended={one["person"] for one in people if _link_ended(one, resources.clock())},
        next_page=cursor and address_with(request, cursor=cursor),
        roles=PEOPLE_ROLES,
        invited=invited,
        fault=fault,
        kept=kept or {},
    )


def _link_ended(person: Mapping[str, Any], now_us: int) -> bool:
    """True for who is invited and has no link that is good: out of date, or ended by a restore. Pure."""
    until = person["invited_until"]
    return person["state"] == INVITED and (until is None or parse_instant(until).us <= now_us)


@router.post(PEOPLE)
def post_people_page(
    request: Request, resources: R, key: Admin, page: PageOfPeople, fields: Fields
) -> Response:
    """Invite somebody. The answer is the page itself: the link is shown this once."""
    values = {
        "name": trimmed_field(fields, "name").casefold(),
        "role": text_of_field(fields, "role"),
        "display_name": trimmed_field(fields, "display_name") or None,
        "sites": _sites_of(fields, resources, key),
    }
    try:
        made = post_person(read_form(NewPerson, values), request, resources, key)
    except FAULTS as error:
        kept = {name: text_of_field(fields, name) for name in ("name", "role", "display_name", "sites")}
        return _page(request, resources, key, page, fault=fault_of(error), kept=kept)
    return _page(request, resources, key, page, invited=made)


@router.post("/people/{person}")
def post_person_page(
    person: PathName, request: Request, resources: R, key: Admin, page: PageOfPeople, fields: Fields
) -> Response:
    """Give a person another role, or other sites."""
    values = {
        "role": text_of_field(fields, "role"),
        "display_name": trimmed_field(fields, "display_name"),
        "sites": _sites_of(fields, resources, key),
    }
    try:
        patch_person(person, read_form(PersonChange, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return see_other(f"{PEOPLE}#{quote(person)}")


def _sites_of(fields: FormData, resources: R, key: Key) -> list[str]:
    """The sites in a form, each by its code; a person may write what it is called."""
    with resources.reading() as connection:
        known = shop.groups_of(connection, "site", key.owner_id)
    codes = {site.display_name.casefold(): site.name for site in known if site.display_name}
    return [codes.get(name.casefold(), name) for name in names_of_field(fields, "sites")]


@router.post("/people/{person}/reset")
def post_reset_page(
    person: PathName, request: Request, resources: R, key: Admin, page: PageOfPeople
) -> Response:
    """A new link; it is shown this once."""
    try:
        made = post_person_reset(person, request, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return _page(request, resources, key, page, invited=made)


@router.post("/people/{person}/revoke")
def post_revoke_page(
    person: PathName, request: Request, resources: R, key: Admin, page: PageOfPeople, fields: Fields
) -> Response:
    """Let a person never sign in again, once somebody confirmed it."""
    if not is_sure(fields):
        return ask_first(request, key, "people.revoke", "people.revoke_whom", back=PEOPLE, name=person)
    try:
        delete_person(person, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return see_other(f"{PEOPLE}#{quote(person)}")
