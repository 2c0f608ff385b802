"""Who is signed in: their language and name, a new password, and the link that invited them."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from fastapi import Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.described_kinds import Language
from cleanside.ingest.api.routes.described_people import MeAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.sessions import Me, begin_try, me_document, require_password
from cleanside.ingest.api.routes.shared import (
    DisplayName,
    R,
    Strict,
    open_to_all,
    problems,
    router_of,
)
from cleanside.ingest.api.routes.signed_in import begin_session, give_cookie, refuse_cross_site
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import passwords, people, sessions, sign_in_pace
from cleanside.ingest.owners.people import OpenLink
from cleanside.ingest.owners.sessions import NewSession
from cleanside.ingest.store import audit
from cleanside.ingest.store import people as people_store
from cleanside.ingest.store.keys import Key

router = router_of("people")

ACCEPT_PATH = "/v1/invitations/accept"
MOST_CODE = 128


class MyChange(Strict):
    """What a person changes of themselves; left out: as it is."""

    language: Language | None = Field(None, description="of the pages; null: as the browser asks")
    display_name: DisplayName | None = Field(None, description='"": none')


class NewPassword(Strict):
    """A password for another."""

    password: str = Field(description="the one until now")
    new_password: str = Field(description="15 to 256 characters", examples=["seven graders on gravel"])


class InvitationShown(Strict):
    """A link is used."""

    code: str = Field(max_length=MOST_CODE, description="what follows code= in the link")
    name: str = Field("", max_length=32, description="of the first account; a link for a person has it")
    password: str = Field(description="15 to 256 characters", examples=["gravel plateau grader seven"])


@router.get("/v1/me", summary="Who is signed in", response_model=MeAnswer)
def get_me(key: Me) -> dict[str, Any]:
    """The person who is signed in, with what their role allows."""
    return me_document(key)


@router.patch("/v1/me", summary="Change one's language or display name", response_model=MeAnswer)
@example({"language": "de"})
def patch_me(body: MyChange, resources: R, key: Me) -> dict[str, Any]:
    """Change what a person may say of themselves; their role and sites are an admin's."""
    changes = body.model_dump(exclude_unset=True)
    if "display_name" in changes:
        changes["display_name"] = changes["display_name"] or None

    def save(connection: sa.Connection) -> Key:
        if changes:
            people_store.edit(connection, -key.id, **changes)
            now_us = resources.clock()
            audit.note(connection, key.owner_id, now_us, key.handle, "me_edited", person=key.handle)
        after = people_store.by_id(connection, -key.id)
        assert after is not None
        return after.as_key()

    return me_document(resources.writer.call(save))


@router.post("/v1/me/password", summary="Change one's password", response_model=MeAnswer)
@example({"password": "gravel plateau grader seven", "new_password": "seven graders on gravel"})
async def post_password(body: NewPassword, request: Request, response: Response, key: Me) -> dict[str, Any]:
    """Set a new password. All sessions end, all passkeys are removed; this browser gets a new session."""
    done = await change_password(request, key, body.password, body.new_password)
    give_cookie(request, response, done.token)
    return me_document(done.person.as_key())


async def change_password(request: Request, key: Key, password: str, new_password: str) -> NewSession:
    """
    Another password, and a new session in place of all that were.

    Raises Refused: 403 `sign_in_refused` for a wrong old password, 422 `password_not_usable`, 429; TryAgain.
    """
    ready = passwords.check(new_password, key.handle, pointer="#/new_password")
    person, this = await begin_try(request, f"{key.handle}@{key.owner}")
    await require_password(request, person, password)
    services = services_of(request)
    kept = await services.passwords.hash(ready)

    def save(connection: sa.Connection) -> NewSession:
        now_us = services.clock()
        again = people_store.by_id(connection, -key.id)
        if again is None or person is None or again.password_hash != person.password_hash:
            raise _changed_meanwhile()
        sign_in_pace.succeeded(connection, this, now_us)
        after = people.set_password(connection, key, kept, now_us)
        return begin_session(request, connection, after, sessions.new_token(), now_us)

    return await run_in_threadpool(services.resources.writer.call, save)


def _changed_meanwhile() -> Refused:
    return Refused("password_changed_meanwhile", status=403, code="sign_in_refused")


# ---------------------------------------------------------------- the link of an invitation


@router.post(
    ACCEPT_PATH,
    status_code=201,
    summary="Use the link of an invitation: set a password and sign in",
    response_model=MeAnswer,
    responses=problems(403, 409),
)
@open_to_all
@example({"code": "0" * 64, "password": "gravel plateau grader seven"})
async def post_invitation_acceptance(
    body: InvitationShown, request: Request, response: Response
) -> dict[str, Any]:
    """
    Set the password that goes with a link, once, and sign in. Every link that is not valid gets one answer.

    A body has at most 16384 bytes.
    """
    refuse_cross_site(request)
    done = await accept_link(request, body.code, body.name, body.password)
    give_cookie(request, response, done.token)
    return me_document(done.person.as_key())


async def open_link(request: Request, code: str) -> OpenLink:
    """What a link is for. Raises Refused: 403 `invitation_not_valid`, 429 for too many tries."""
    services, host = services_of(request), host_of(request)
    services.limits.may_try(host)

    def look() -> OpenLink:
        with services.resources.reading() as connection:
            return people.open_invitation(connection, code, services.clock())

    try:
        return await run_in_threadpool(look)
    except Refused:
        services.limits.tried_in_vain(host)
        raise


async def accept_link(request: Request, code: str, name: str, password: str) -> NewSession:
    """
    Use a link, and sign in. name : of the first account.

    Raises Refused: 403 `invitation_not_valid`, 409 `name_taken`, 422 `password_not_usable` or a name, 429;
    TryAgain.
    """
    services = services_of(request)
    opened = await open_link(request, code)  # before anything costs half a second
    if opened.person is None:
        people.check_name(name)
    ready = passwords.check(password, name if opened.person is None else opened.person.name)
    kept = await services.passwords.hash(ready)

    def save(connection: sa.Connection) -> NewSession:
        now_us = services.clock()
        person = people.accept(connection, code, name, kept, now_us)
        return begin_session(request, connection, person, sessions.new_token(), now_us)

    begun = await run_in_threadpool(services.resources.writer.call, save)
    if begun.person.role == "admin" and not begun.person.sites:
        await run_in_threadpool(services.on_admin)
    return begun
