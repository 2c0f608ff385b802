"""
Leaving: no more of one kind of message, by the link in it, without signing in.

Promises: opening the link changes nothing, so a program that looks at every link of a letter changes nothing.
Only the form's POST leaves, and that of a mail program (RFC 8058, one click), which comes from anywhere and
has no cookie. What waits to be sent of that kind is not sent any more.
Every link that is not valid gets one answer, and trying them is slowed by address.
"""

from __future__ import annotations

from typing import Annotated

import sqlalchemy as sa
from fastapi import Query, Request, Response

from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import R, open_to_all
from cleanside.ingest.console.letters import MESSAGES
from cleanside.ingest.console.rendering import render
from cleanside.ingest.console.routing import from_anywhere, page_router
from cleanside.ingest.errors import CannotOpen
from cleanside.ingest.messages import leaving
from cleanside.ingest.messages.leaving import LEAVE_PATH, Leaving
from cleanside.ingest.store import audit, message_choices, messages, people

router = page_router()

MOST_OF_CODE = 128
Code = Annotated[str, Query(max_length=MOST_OF_CODE)]


@router.get(LEAVE_PATH)
@open_to_all
def get_leave_page(request: Request, resources: R, code: Code = "") -> Response:
    """What one would leave, and the button that does it."""
    return _page(request, _read(request, resources, code), code, done=False)


@router.post(LEAVE_PATH)
@open_to_all
@from_anywhere
def post_leave_page(request: Request, resources: R, code: Code = "") -> Response:
    """Leave. Sent again it changes nothing more."""
    wanted = _read(request, resources, code)
    if wanted is not None:
        resources.writer.call(lambda connection: _leave(connection, wanted, resources.clock()))
    return _page(request, wanted, code, done=True)


def _read(request: Request, resources: R, code: str) -> Leaving | None:
    """Who leaves what; None: the link is not valid. Raises Refused (429) for who tries too many."""
    limits, host = services_of(request).limits, host_of(request)
    limits.may_try(host)
    try:
        wanted = leaving.read(code, resources.webhook_keys.read())
    except CannotOpen:
        wanted = None
    if wanted is None:
        limits.tried_in_vain(host)
    return wanted


def _leave(connection: sa.Connection, wanted: Leaving, now_us: int) -> None:
    person = people.with_handle(connection, wanted.handle)
    if person is None:
        return
    chosen = message_choices.of(connection, person.id)
    message_choices.keep(connection, person.id, **leaving.without(chosen, wanted.kind))
    messages.drop_waiting(connection, person.id, None if wanted.kind == messages.TEST else wanted.kind)
    about = {"person": person.name, "kind": wanted.kind}
    audit.note(connection, person.owner_id, now_us, person.name, "messages_left", **about)


def _page(request: Request, wanted: Leaving | None, code: str, *, done: bool) -> Response:
    return render(
        request,
        "leave.html",
        status=200 if wanted is not None else 404,
        headers={"Cache-Control": "no-store"},
        wanted=wanted,
        code=code,
        done=done,
        messages=MESSAGES,
    )
