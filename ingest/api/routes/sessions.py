"""Sessions: a person signs in, sees where they are signed in, and signs out."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.described_people import (
    EverySessionEnded,
    MeAnswer,
    SessionEnded,
    SessionsAnswer,
)
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.api.routes.shared import (
    R,
    Strict,
    needs,
    open_to_all,
    problems,
    router_of,
    text,
)
from cleanside.ingest.api.routes.signed_in import begin_session, give_cookie, refuse_cross_site, take_cookie
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners import sessions, sign_in_pace
from cleanside.ingest.owners.access import PERMISSIONS, allows
from cleanside.ingest.owners.sessions import NewSession
from cleanside.ingest.owners.sign_in_pace import SignInTry
from cleanside.ingest.store import people
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.people import Person
from cleanside.ingest.store.sessions import Session

router = router_of("people")

SIGN_IN_PATH = "/v1/sessions"
MAX_SIGN_IN_BYTES = 16_384  # of who is not signed in yet
MOST_TYPED = 128  # characters of a name: 32, "@", 64 of an owner

Me = Annotated[Key, Depends(needs("me:manage"))]


class Credentials(Strict):
    """Who wants to sign in."""

    name: str = Field(
        max_length=MOST_TYPED,
        description="where several owners have somebody of that name: NAME@OWNER",
        examples=["mara.lindt"],
    )
    password: str = Field(examples=["gravel plateau grader seven"])


class SignInRefused(Refused):
    """Name and password do not fit together (403). key : whose name it was; None: no person's."""

    def __init__(self, person: Person | None) -> None:
        super().__init__("sign_in_refused", status=403)
        self.key = None if person is None else person.as_key()


@router.post(
    SIGN_IN_PATH,
    status_code=201,
    summary="Sign in",
    response_model=MeAnswer,
    responses=problems(403),
)
@open_to_all
@example({"name": "mara.lindt", "password": "gravel plateau grader seven"})
async def post_session(body: Credentials, request: Request, response: Response) -> dict[str, Any]:
    """
    Sign a person in: the answer sets the cookie of a session. Programs use a key instead.

    Whatever does not fit, the answer is the same. Tries are slowed by person and address, for all processes.
    A body has at most 16384 bytes.
    """
    refuse_cross_site(request)
    done = await sign_in(request, body.name, body.password)
    give_cookie(request, response, done.token)
    return me_document(done.person.as_key())


async def sign_in(request: Request, typed: str, password: str) -> NewSession:
    """
    A new session for who has name and password.

    Raises Refused: 403 `sign_in_refused` or `person_suspended`, 429 where a try has to wait; TryAgain.
    """
    person, this = await begin_try(request, typed)
    await require_password(request, person, password)
    assert person is not None  # the password of no person never fits

    def save(connection: sa.Connection) -> NewSession:
        now_us = services_of(request).clock()
        again = people.by_id(connection, person.id)
        if again is None or again.password_hash != person.password_hash:  # changed at this moment
            raise SignInRefused(person)
        sign_in_pace.succeeded(connection, this, now_us)
        return begin_session(request, connection, again, sessions.new_token(), now_us)

    return await run_in_threadpool(services_of(request).resources.writer.call, save)


async def begin_try(request: Request, typed: str) -> tuple[Person | None, SignInTry]:
    """Who is meant, and the counted try. Raises Refused (429) where it has to wait."""
    services, host = services_of(request), host_of(request)
    name = typed.strip().casefold()[:MOST_TYPED]
    try:
        services.limits.may_try(host)
    except Refused:  # what others try from an address keeps none of its people out
        if not await run_in_threadpool(_signed_in_here, request, name):
            raise

    def count(connection: sa.Connection) -> tuple[Person | None, SignInTry]:
        person = _meant(connection, name)
        return person, sign_in_pace.begin(connection, name, person, host, services.clock())

    return await run_in_threadpool(services.resources.writer.call, count)


def _signed_in_here(request: Request, name: str) -> bool:
    services = services_of(request)
    with services.resources.reading() as connection:
        person = _meant(connection, name)
        return sign_in_pace.is_known(connection, person, host_of(request), services.clock())


def _meant(connection: sa.Connection, name: str) -> Person | None:
    bare, _, owner = name.partition("@")
    found = people.named(connection, bare, owner or None)
    return found[0] if len(found) == 1 else None


async def require_password(request: Request, person: Person | None, password: str) -> None:
    """Raise Refused (403) unless it is the person's password; an unknown one is compared as long."""
    services = services_of(request)
    known = None if person is None else person.password_hash
    if not await services.passwords.fits(known, password):
        services.limits.tried_in_vain(host_of(request))
        raise SignInRefused(person)
    if person is not None and person.state == people.SUSPENDED:
        raise Refused("person_suspended", status=403, name=person.name)


def me_document(key: Key) -> dict[str, Any]:
    """Who is signed in, for an answer."""
    return {
        "person": key.handle,
        "display_name": key.note or None,
        "owner": key.owner,
        "role": key.role,
        "sites": sorted(key.sites),
        "language": key.language,
        "permissions": sorted(name for name in PERMISSIONS if allows(key, name)),
    }


@router.get(SIGN_IN_PATH, summary="Where one is signed in", response_model=SessionsAnswer)
def get_sessions(request: Request, resources: R, key: Me) -> dict[str, Any]:
    """One's own sessions that go on, newest first."""
    with resources.reading() as connection:
        found = sessions.of_person(connection, key, resources.clock())
    this = getattr(request.state, "session", None)
    return {"sessions": [session_document(one, this) for one in found]}


def session_document(session: Session, this: Session | None) -> dict[str, Any]:
    """A session for an answer. this : the one that asks."""
    return {
        "session": session.id,
        "this_one": this is not None and this.id == session.id,
        "began_at": text(session.created_us),
        "last_seen_at": text(session.seen_us),
        "ends_at": text(session.expires_us),
        "address": session.address,
        "browser": session.agent,
    }


@router.delete(SIGN_IN_PATH, summary="Sign out everywhere", response_model=EverySessionEnded)
def delete_sessions(request: Request, response: Response, resources: R, key: Me) -> dict[str, Any]:
    """End all of one's own sessions, the one that asks too. Passkeys and password stay."""
    ended = resources.writer.call(
        lambda connection: sessions.end_every_one(connection, key, resources.clock())
    )
    take_cookie(request, response)
    return {"sessions": ended, "ended": True}


@router.delete(
    "/v1/sessions/{session}",
    summary="Sign out, here or elsewhere",
    response_model=SessionEnded,
    responses=problems(404),
)
def delete_session(
    session: Annotated[int, Path(ge=1, le=2**53)],
    request: Request,
    response: Response,
    resources: R,
    key: Me,
) -> dict[str, Any]:
    """End one of one's own sessions; every process refuses it from now on."""
    resources.writer.call(lambda connection: sessions.end(connection, key, session, resources.clock()))
    this = getattr(request.state, "session", None)
    if this is not None and this.id == session:
        take_cookie(request, response)
    return {"session": session, "ended": True}
