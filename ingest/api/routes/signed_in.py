"""
People over HTTP: the cookie of a session, and writes that another site caused.

- Over TLS the cookie is `__Host-cleanside` (RFC 6265bis section 4.1.3.2): this host alone, Secure, HttpOnly,
  SameSite=Lax. Over plain HTTP, which is served on loopback alone, browsers keep no such cookie; there it is
  `cleanside`, without Secure. Behind a proxy that has the TLS (`behind_proxy`) it is always the first.
- A write comes from a page of this server: the browser says so in Sec-Fetch-Site (W3C Fetch Metadata), an
  older one in Origin (RFC 6454). What says neither is refused, unless it has the header Authorization, which
  another site cannot set. What is open to all is no exception: else another site could sign somebody in as a
  person of its choice, who would then enter things under that name.
- A request with the header Authorization never uses the cookie.
- A link leads to the address that the settings name, else to the one that was asked where that is this
  machine or what the server listens on: whoever sends a request writes its Host as they like (CWE-644).

Leaves to others: what a session is (`ingest.owners.sessions`).
"""

from __future__ import annotations

import sqlalchemy as sa
from fastapi import Request, Response
from starlette.concurrency import run_in_threadpool

from cleanside.gateway.this_machine import is_loopback
from cleanside.ingest.api.routes.services import host_of, services_of
from cleanside.ingest.errors import Refused
from cleanside.ingest.intake.head_fields import fields_of
from cleanside.ingest.owners import sessions
from cleanside.ingest.owners.sessions import LASTS_US, NewSession, SignedIn
from cleanside.ingest.store.people import Person

COOKIE = "cleanside"
_READING = ("GET", "HEAD", "OPTIONS")
_CHALLENGE = {"WWW-Authenticate": "Bearer"}


def token_of_cookie(request: Request) -> str | None:
    """What the session's cookie of a request holds; None: there is none, or a key is shown."""
    if b"authorization" in fields_of(request.scope):
        return None
    return private_cookie(request, COOKIE)


def is_encrypted(request: Request) -> bool:
    """True where the browser reached this server over TLS, perhaps that of a proxy."""
    return request.url.scheme == "https" or services_of(request).settings.behind_proxy


async def find_session(request: Request, token: str) -> SignedIn | None:
    """Whose session it is; None: it is over, or never was one. Its use is noted."""
    services = services_of(request)
    now_us = services.clock()

    def find() -> SignedIn | None:
        with services.resources.reading() as connection:
            return sessions.find(connection, token, now_us)

    found = await run_in_threadpool(find)
    if found is not None:
        services.session_uses.note(found.session, now_us)
        request.state.session = found.session
    return found


async def person_of(request: Request, token: str) -> SignedIn:
    """
    Who is signed in.

    Raises Refused: 401 `session_ended`, 403 `cross_site` for a write that another site caused.
    """
    refuse_cross_site(request)
    found = await find_session(request, token)
    if found is None:
        raise Refused("session_ended", status=401, headers=_CHALLENGE)
    return found


def own_address(request: Request) -> str:
    """
    Where people open the pages, for a link.

    Raises Refused (409) `public_address_not_set` where the settings do not say it and the address that was
    asked may be anybody's.
    """
    known = known_address(request)
    if known is None:
        asked = request.url.hostname or "no address"
        raise Refused("public_address_not_set", status=409, address=asked[:255])
    return known


def known_address(request: Request) -> str | None:
    """
    The address of the settings, else the one that was asked; None: that one may be anybody's.

    Taken as it was asked: this machine itself (localhost, RFC 6761; a loopback address), what the settings
    listen on, and the address on which the connection came in.
    """
    settings = services_of(request).settings
    if settings.public_address:
        return settings.public_address.rstrip("/")
    host = request.url.hostname or ""
    of_server = {settings.host.casefold(), str((request.scope.get("server") or [""])[0]).casefold()}
    return _origin(request) if host and (host in of_server or is_loopback(host)) else None


def _origin(request: Request) -> str:
    return f"{'https' if is_encrypted(request) else 'http'}://{request.url.netloc}"


def refuse_cross_site(request: Request) -> None:
    """Raise Refused (403) for a write that no page of this server sent, and no program with a key."""
    if request.method not in _READING and not _is_ours(request):
        raise Refused("cross_site", status=403)


def _is_ours(request: Request) -> bool:
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        return site == "same-origin"
    if origin is not None:  # a browser from before 2023
        return origin == _origin(request)
    return "authorization" in request.headers


# ---------------------------------------------------------------- begin and end


def agent_of(request: Request) -> str:
    """What the browser calls itself."""
    return request.headers.get("user-agent", "")


def begin_session(
    request: Request, connection: sa.Connection, person: Person, token: str, now_us: int
) -> NewSession:
    """Sign a person in; the session that this browser had before ends."""
    return sessions.begin(
        connection,
        person,
        token=token,
        replaces=token_of_cookie(request),
        host=host_of(request),
        agent=agent_of(request),
        now_us=now_us,
    )


def give_cookie(request: Request, response: Response, token: str) -> None:
    """Have the browser keep a session."""
    keep_private_cookie(request, response, COOKIE, token, lasts_us=LASTS_US)


def take_cookie(request: Request, response: Response) -> None:
    """Have the browser forget its session."""
    forget_private_cookie(request, response, COOKIE)


# ---------------------------------------------------------------- cookies that no script reads


def private_cookie(request: Request, name: str) -> str | None:
    """What a browser keeps under a name; None: nothing."""
    return request.cookies.get(_name_of_host(request, name))


def keep_private_cookie(
    request: Request, response: Response, name: str, value: str, *, lasts_us: int
) -> None:
    """Have the browser keep a value; where it came over TLS, for this host alone (the prefix `__Host-`)."""
    response.set_cookie(
        _name_of_host(request, name),
        value,
        max_age=lasts_us // 1_000_000,
        path="/",
        secure=is_encrypted(request),
        httponly=True,
        samesite="lax",  # a link in a mail, or a provider of identities, leads here from another site
    )


def forget_private_cookie(request: Request, response: Response, name: str) -> None:
    """Have the browser forget what it keeps under a name."""
    name = _name_of_host(request, name)
    response.delete_cookie(name, path="/", secure=is_encrypted(request), httponly=True, samesite="lax")


def _name_of_host(request: Request, name: str) -> str:
    return f"__Host-{name}" if is_encrypted(request) else name
