"""Passkeys: made, listed and removed by whoever is signed in; used to sign in without a password."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Path, Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.described_kinds import PasskeyDocument
from cleanside.ingest.api.routes.described_people import (
    MeAnswer,
    PasskeyOptions,
    PasskeyRemoved,
    PasskeysAnswer,
    PasskeyShown,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.sessions import (
    SIGN_IN_PATH,
    Me,
    begin_try,
    me_document,
    require_password,
)
from cleanside.ingest.api.routes.shared import (
    R,
    Strict,
    Words,
    open_to_all,
    problems,
    router_of,
    text,
)
from cleanside.ingest.api.routes.signed_in import (
    begin_session,
    give_cookie,
    own_address,
    refuse_cross_site,
)
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import passkeys, sessions, sign_in_pace
from cleanside.ingest.owners.passkeys import PasskeyPlace
from cleanside.ingest.owners.sessions import NewSession
from cleanside.ingest.store import passkeys as passkey_store
from cleanside.ingest.store.passkeys import Passkey

router = router_of("people")

OPTIONS_PATH, USE_PATH = f"{SIGN_IN_PATH}/passkey-options", f"{SIGN_IN_PATH}/passkey"

Credential = Annotated[
    PasskeyDocument,
    Field(
        description="as PublicKeyCredential.toJSON gives it", examples=[{"id": "AQID", "type": "public-key"}]
    ),
]


class PasskeyAsked(Strict):
    """Who wants a passkey."""

    password: str = Field(description="of whoever is signed in", examples=["gravel plateau grader seven"])


class NewPasskey(Strict):
    """What an authenticator made."""

    credential: Credential
    name: Words = Field("", max_length=64, description="what its person calls it", examples=["phone"])


class PasskeyUsed(Strict):
    """What an authenticator signed."""

    credential: Credential


def _place(request: Request) -> PasskeyPlace:
    return passkeys.place_of(own_address(request))


@router.post(
    "/v1/passkeys/options",
    summary="What a browser needs to make a passkey",
    response_model=PasskeyOptions,
    responses=problems(409),
)
@example({"password": "gravel plateau grader seven"})
async def post_making_options(body: PasskeyAsked, request: Request, resources: R, key: Me) -> dict[str, Any]:
    """
    Options for navigator.credentials.create, good once and for five minutes.

    They need the password: whoever took a session makes no passkey that outlives it.
    """
    place = _place(request)
    person, this = await begin_try(request, f"{key.handle}@{key.owner}")
    await require_password(request, person, body.password)

    def make(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        sign_in_pace.succeeded(connection, this, now_us)
        return passkeys.making_options(connection, key, place, now_us)

    return {"options": await run_in_threadpool(resources.writer.call, make)}


@router.post(
    "/v1/passkeys",
    status_code=201,
    summary="Keep a passkey",
    response_model=PasskeyShown,
    responses=problems(409),
)
@example({"name": "phone", "credential": {"id": "AQID", "type": "public-key"}})
def post_passkey(body: NewPasskey, request: Request, resources: R, key: Me) -> dict[str, Any]:
    """Keep what an authenticator made of the options. From then on it signs its person in."""
    place = _place(request)

    def save(connection: sa.Connection) -> Passkey:
        return passkeys.keep(connection, key, place, body.credential, body.name, resources.clock())

    return passkey_document(resources.writer.call(save))


@router.get("/v1/passkeys", summary="One's own passkeys", response_model=PasskeysAnswer)
def get_passkeys(resources: R, key: Me) -> dict[str, Any]:
    """One's own passkeys, oldest first."""
    with resources.reading() as connection:
        found = passkey_store.of_person(connection, -key.id)
    return {"passkeys": [passkey_document(one) for one in found]}


def passkey_document(passkey: Passkey) -> dict[str, Any]:
    """A passkey for an answer."""
    return {
        "passkey": passkey.id,
        "name": passkey.name,
        "created_at": text(passkey.created_us),
        "last_used_at": text(passkey.used_us),
    }


@router.delete(
    "/v1/passkeys/{passkey}",
    summary="Remove a passkey",
    response_model=PasskeyRemoved,
    responses=problems(404),
)
def delete_passkey(passkey: Annotated[int, Path(ge=1, le=2**53)], resources: R, key: Me) -> dict[str, Any]:
    """Have one of one's own passkeys removed, so that it signs no person in. Sessions that it began go on."""
    resources.writer.call(lambda connection: passkeys.remove(connection, key, passkey, resources.clock()))
    return {"passkey": passkey, "removed": True}


# ---------------------------------------------------------------- signing in with one


@router.post(
    OPTIONS_PATH,
    summary="What a browser needs to sign in with a passkey",
    response_model=PasskeyOptions,
    responses=problems(403, 409),
)
@open_to_all
def post_sign_in_options(request: Request, resources: R) -> dict[str, Any]:
    """
    Options for navigator.credentials.get, good once and for five minutes; they name no person.

    Each request counts by address, for all processes.
    """
    refuse_cross_site(request)
    limits, host = services_of(request).limits, host_of(request)
    limits.may_try(host)
    place = _place(request)
    try:
        made = resources.writer.call(lambda c: passkeys.sign_in_options(c, place, host, resources.clock()))
    except Refused:
        limits.tried_in_vain(host)
        raise
    return {"options": made}


@router.post(
    USE_PATH,
    status_code=201,
    summary="Sign in with a passkey",
    response_model=MeAnswer,
    responses=problems(403, 409),
)
@open_to_all
@example({"credential": {"id": "AQID", "type": "public-key"}})
async def post_passkey_use(body: PasskeyUsed, request: Request, response: Response) -> dict[str, Any]:
    """
    Sign in with what an authenticator signed. Whatever does not fit, the answer is the same.

    A body has at most 16384 bytes.
    """
    refuse_cross_site(request)
    services, host = services_of(request), host_of(request)
    services.limits.may_try(host)
    place = _place(request)

    def save(connection: sa.Connection) -> NewSession:
        now_us = services.clock()
        person = passkeys.verified(connection, place, body.credential, now_us)
        return begin_session(request, connection, person, sessions.new_token(), now_us)

    try:
        done = await run_in_threadpool(services.resources.writer.call, save)
    except Refused:
        services.limits.tried_in_vain(host)
        raise
    give_cookie(request, response, done.token)
    return me_document(done.person.as_key())
