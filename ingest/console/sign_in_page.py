"""
Signing in and out, and the link of an invitation.

Their JSON twins are `POST /v1/sessions`, `DELETE /v1/sessions/{session}` and `POST /v1/invitations/accept`.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.me import MOST_CODE, accept_link, open_link
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.sessions import MOST_TYPED, sign_in
from cleanside.ingest.api.routes.shared import R, open_to_all
from cleanside.ingest.api.routes.signed_in import give_cookie, take_cookie
from cleanside.ingest.console.forms import FAULTS, FormFault, fault_of, text_of_field, trimmed_field
from cleanside.ingest.console.rendering import render
from cleanside.ingest.console.routing import SIGN_IN, Fields, own_path, page_needs, page_router, see_other
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import sessions
from cleanside.ingest.owners.passwords import LONGEST, SHORTEST
from cleanside.ingest.owners.people import JOIN_PATH, OpenLink
from cleanside.ingest.store.keys import Key

router = page_router()

MOST_NEXT = 2_000  # characters of an address to go back to; chosen


@router.get(SIGN_IN)
@open_to_all
def get_sign_in(
    request: Request, to: Annotated[str, Query(alias="next", max_length=MOST_NEXT)] = "/"
) -> Response:
    """The form for name and password. next : the page to go to then, one of ours."""
    return sign_in_page(request, own_path(to))


@router.post(SIGN_IN)
@open_to_all
async def post_sign_in(request: Request, fields: Fields) -> Response:
    """Sign in, and go to the page that was asked for."""
    name, to = text_of_field(fields, "name"), own_path(text_of_field(fields, "next"))
    try:
        done = await sign_in(request, name, text_of_field(fields, "password"))
    except FAULTS as error:
        return sign_in_page(request, to, name=name, fault=fault_of(error))
    answer = see_other(to)
    give_cookie(request, answer, done.token)
    return answer


def sign_in_page(request: Request, to: str, *, name: str = "", fault: FormFault | None = None) -> Response:
    """The form, with what went wrong. to : the page to go to then."""
    status = 200 if fault is None else fault.status
    shown, provider = name[:MOST_TYPED], services_of(request).oidc
    return render(
        request,
        "sign_in.html",
        status=status,
        next=to,
        name=shown,
        fault=fault,
        provider=provider and provider.client.name,
    )


@router.post("/sign-out")
def post_sign_out(
    request: Request, resources: R, key: Annotated[Key, Depends(page_needs("me:manage"))]
) -> Response:
    """End this session."""
    this = request.state.session.id
    resources.writer.call(lambda connection: sessions.end(connection, key, this, resources.clock()))
    answer = see_other(SIGN_IN)
    take_cookie(request, answer)
    return answer


# ---------------------------------------------------------------- by the link of an invitation


@router.get(JOIN_PATH)
@open_to_all
async def get_join(request: Request, code: Annotated[str, Query(max_length=MOST_CODE)] = "") -> Response:
    """The form for a first password; looking at it uses nothing up."""
    return await _join_page(request, code)


@router.post(JOIN_PATH)
@open_to_all
async def post_join(request: Request, fields: Fields) -> Response:
    """Use the link: set the password, sign in."""
    code, name = text_of_field(fields, "code")[:MOST_CODE], trimmed_field(fields, "name").casefold()
    password = text_of_field(fields, "password")
    if password != text_of_field(fields, "again"):
        return await _join_page(request, code, name=name, fault=FormFault("passwords_differ", 422))
    try:
        done = await accept_link(request, code, name, password)
    except FAULTS as error:
        return await _join_page(request, code, name=name, fault=fault_of(error))
    answer = see_other("/")
    give_cookie(request, answer, done.token)
    return answer


async def _join_page(
    request: Request, code: str, *, name: str = "", fault: FormFault | None = None
) -> Response:
    try:
        opened = await open_link(request, code)
    except Refused as refused:
        opened, fault = None, fault_of(refused)
    return render(
        request,
        "join.html",
        status=200 if fault is None else fault.status,
        opened=opened,
        code=code,
        name=name[:MOST_TYPED],
        fault=fault,
        shortest=SHORTEST,
        longest=LONGEST,
        provider=_provider_name(request, opened),
    )


def _provider_name(request: Request, opened: OpenLink | None) -> str | None:
    """The provider by which a link may be used; None: by none. The first account has a password."""
    provider = services_of(request).oidc
    is_bindable = provider is not None and opened is not None and opened.person is not None
    return provider.client.name if provider is not None and is_bindable else None
