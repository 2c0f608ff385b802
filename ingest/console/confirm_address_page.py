"""
Confirming an address of e-mail, by the link that was sent there, without signing in.

Promises: opening the link changes nothing, so a program that looks at every link of a letter confirms none.
The form's POST does, once. Every link that is not valid gets one answer; trying them is slowed by address.
"""

from __future__ import annotations

from typing import Annotated

import sqlalchemy as sa
from fastapi import Query, Request, Response

from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import R, open_to_all
from cleanside.ingest.console.letters import MESSAGES
from cleanside.ingest.console.rendering import render
from cleanside.ingest.console.routing import page_router
from cleanside.ingest.errors import CannotOpen
from cleanside.ingest.messages import confirming
from cleanside.ingest.messages.confirming import CONFIRM_PATH
from cleanside.ingest.store import audit, message_choices, messages, people
from cleanside.ingest.store.people import VALID, Person

router = page_router()

MOST_OF_CODE = 128
Code = Annotated[str, Query(max_length=MOST_OF_CODE)]


@router.get(CONFIRM_PATH)
@open_to_all
def get_confirm_page(request: Request, resources: R, code: Code = "") -> Response:
    """Whose address it would be, and the button that confirms it."""
    with resources.reading() as connection:
        found = _read(connection, request, resources, code)
    return _page(request, found, code, done=False)


@router.post(CONFIRM_PATH)
@open_to_all
def post_confirm_page(request: Request, resources: R, code: Code = "") -> Response:
    """Confirm it: from now on messages go there."""
    found = resources.writer.call(lambda connection: _confirm(connection, request, resources, code))
    return _page(request, found, code, done=found is not None)


def _read(connection: sa.Connection, request: Request, resources: R, code: str) -> Person | None:
    """Whose address a link confirms; None: it is not valid. Raises Refused (429) for who tries too many."""
    limits = services_of(request).limits
    limits.may_try(host_of(request))
    handle = confirming.handle_of(code)
    person = people.with_handle(connection, handle)
    try:
        keys = resources.webhook_keys.read()
    except CannotOpen:
        keys = ()
    if person is None or person.state != VALID:
        return None
    chosen = message_choices.of(connection, person.id)
    is_valid = confirming.confirms(code, keys, handle, chosen, resources.clock())
    return person if is_valid else None


def _confirm(connection: sa.Connection, request: Request, resources: R, code: str) -> Person | None:
    person = _read(connection, request, resources, code)
    if person is not None:
        chosen = message_choices.of(connection, person.id)
        values = {"address": chosen.new_address, "new_address": "", "new_until_us": None}
        message_choices.keep(connection, person.id, **values)
        messages.drop_waiting(connection, person.id, messages.ADDRESS)
        now_us = resources.clock()
        audit.note(connection, person.owner_id, now_us, person.name, "address_confirmed", person=person.name)
    return person


def _page(request: Request, found: Person | None, code: str, *, done: bool) -> Response:
    if found is None:
        services_of(request).limits.tried_in_vain(host_of(request))
    return render(
        request,
        "confirm_address.html",
        status=200 if found is not None else 404,
        headers={"Cache-Control": "no-store"},
        person=None if found is None else found.display_name or found.name,
        code=code,
        done=done,
        messages=MESSAGES,
    )
