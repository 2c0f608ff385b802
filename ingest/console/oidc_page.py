"""
Signing in by the OpenID provider that the settings name: to its page, and back.

There is no JSON twin: a provider answers a browser. Programs use keys.
Promises: an answer counts once, in the browser that began, and within `TRY_LASTS_US`. It signs in whoever the
identity is bound to; with the link of an invitation it binds the identity to that person.
Leaves to others: whether an answer holds (`ingest.owners.oidc`, `oidc_provider`).
"""

from __future__ import annotations

import hmac
import logging
from typing import Annotated

import sqlalchemy as sa
from fastapi import Query, Request, Response
from fastapi.responses import RedirectResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from cleanside.ingest.api.routes.me import MOST_CODE
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.api.routes.signed_in import (
    begin_session,
    forget_private_cookie,
    give_cookie,
    keep_private_cookie,
    own_address,
    private_cookie,
)
from cleanside.ingest.console.forms import FAULTS, fault_of
from cleanside.ingest.console.routing import own_path, page_router, see_other
from cleanside.ingest.console.sign_in_page import MOST_NEXT, sign_in_page
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import oidc, people, sessions
from cleanside.ingest.owners.access import hash_of
from cleanside.ingest.owners.oidc import TRY_LASTS_US, OidcTry
from cleanside.ingest.owners.oidc_provider import OidcProvider
from cleanside.ingest.owners.passwords import prepared
from cleanside.ingest.owners.sessions import NewSession
from cleanside.ingest.store import identities
from cleanside.ingest.store import people as people_store
from cleanside.ingest.store.identities import KeptTry

router = page_router()
log = logging.getLogger("cleanside.ingest")

BEGIN, CALLBACK = "/sign-in/provider", "/sign-in/provider/back"
#: what the browser keeps while somebody is at the provider: the try, and perhaps a link's code
TRY_COOKIE = "cleanside-try"
MOST_ANSWERED = 4_000  # characters of a code or state; chosen


@router.get(BEGIN)
@open_to_all
async def get_begin(
    request: Request,
    to: Annotated[str, Query(alias="next", max_length=MOST_NEXT)] = "/",
    code: Annotated[str, Query(max_length=MOST_CODE)] = "",
) -> Response:
    """To the provider's page. next : the page to go to then. code : of an invitation that is used by it."""
    provider, services = _provider(request), services_of(request)
    services.limits.may_try(host_of(request))
    services.limits.tried_in_vain(host_of(request))  # until somebody comes back: tries are kept for a while
    begun, now_us = oidc.new_try(), services.clock()
    try:
        back_address = _back_address(request)
        metadata = await provider.metadata()
    except FAULTS as error:
        return sign_in_page(request, own_path(to), fault=fault_of(error))
    kept = KeptTry(
        state_hash=hash_of(begun.state),
        browser_hash=hash_of(begun.browser),
        nonce=begun.nonce,
        verifier=begun.verifier,
        next=own_path(to),
        expires_us=now_us + TRY_LASTS_US,
    )
    await run_in_threadpool(
        services.resources.writer.call, lambda connection: identities.put_try(connection, kept, now_us)
    )
    address = oidc.authorization_address(
        metadata["authorization_endpoint"], provider.client, begun, back_address
    )
    answer = RedirectResponse(address, 303)
    keep_private_cookie(request, answer, TRY_COOKIE, f"{begun.browser}.{code}", lasts_us=TRY_LASTS_US)
    return answer


@router.get(CALLBACK)
@open_to_all
async def get_back(
    request: Request,
    state: Annotated[str, Query(max_length=MOST_ANSWERED)] = "",
    code: Annotated[str, Query(max_length=MOST_ANSWERED)] = "",
    iss: Annotated[str | None, Query(max_length=MOST_ANSWERED)] = None,
    error: Annotated[str, Query(max_length=MOST_ANSWERED)] = "",
) -> Response:
    """Back from the provider: sign in, and go to the page that was asked for."""
    provider, to = _provider(request), "/"
    browser, _, link = (private_cookie(request, TRY_COOKIE) or "").partition(".")
    try:
        begun = await _begun(request, state, browser)
        to = begun.next
        oidc.require_issuer(iss, provider.client, await provider.metadata())
        if error or not code:
            raise oidc.refused("the provider signed no person in")
        asked = OidcTry(state=state, nonce=begun.nonce, verifier=begun.verifier, browser=browser)
        subject = await provider.subject(code, asked, _back_address(request))
        done = await _signed_in(request, provider, subject, link)
    except FAULTS as refusal:
        log.warning("ingest.provider_refused", extra={"reason": str(refusal)[:200]})
        if isinstance(refusal, Refused):
            services_of(request).limits.tried_in_vain(host_of(request))
        answer = sign_in_page(request, to, fault=fault_of(refusal))
        forget_private_cookie(request, answer, TRY_COOKIE)
        return answer
    answer = see_other(to)
    give_cookie(request, answer, done.token)
    forget_private_cookie(request, answer, TRY_COOKIE)
    return answer


async def _begun(request: Request, state: str, browser: str) -> KeptTry:
    """The try that an answer is of, once. Raises Refused for another browser's, a taken or an old one."""
    services = services_of(request)

    def take(connection: sa.Connection) -> KeptTry | None:
        return identities.take_try(connection, hash_of(state), services.clock())

    found = await run_in_threadpool(services.resources.writer.call, take)
    if found is None or not hmac.compare_digest(found.browser_hash, hash_of(browser)):
        raise oidc.refused("the try is unknown, over, or of another browser")
    return found


async def _signed_in(request: Request, provider: OidcProvider, subject: str, link: str) -> NewSession:
    """A session for the person of an identity. Raises Refused where it is bound to no person."""
    services, issuer = services_of(request), provider.client.issuer
    # Of a password that no person knows: without one a person counts as invited.
    unknown = await services.passwords.hash(prepared(sessions.new_token())) if link else ""

    def save(connection: sa.Connection) -> NewSession:
        now_us = services.clock()
        if link:
            person = people.bind_identity(connection, link, issuer, subject, unknown, now_us)
        else:
            found = identities.person_of(connection, issuer, subject)
            bound = None if found is None else people_store.by_id(connection, found)
            if bound is None or bound.state != people_store.VALID:
                raise oidc.refused("this identity is bound to no person; use the link of an invitation")
            person = bound
        return begin_session(request, connection, person, sessions.new_token(), now_us)

    return await run_in_threadpool(services.resources.writer.call, save)


def _provider(request: Request) -> OidcProvider:
    provider = services_of(request).oidc
    if provider is None:
        raise HTTPException(404)
    return provider


def _back_address(request: Request) -> str:
    return f"{own_address(request)}{CALLBACK}"
