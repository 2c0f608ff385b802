"""
How a page is asked for: who asks, and whether they may.

Promises: a page names its permission as a route does, and the same table decides. A request with a key in its
header never uses the cookie, and the other way round. A form that another site sent changes nothing.
Leaves to others: which request another site sent (`ingest.api.routes.signed_in`), who a session belongs to
(`ingest.owners.sessions`), what a page shows.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Annotated, Any, TypeVar
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse
from starlette.datastructures import FormData

from cleanside.ingest.api.routes.shared import CheckedRoute, key_of, needed_permission, needs
from cleanside.ingest.api.routes.signed_in import refuse_cross_site, token_of_cookie
from cleanside.ingest.errors import Refused
from cleanside.ingest.store.keys import Key

T = TypeVar("T", bound=Callable[..., Any])

SIGN_IN = "/sign-in"
SAFE_METHODS = frozenset({"GET", "HEAD"})
MAX_FIELDS = 1_000  # of a form; chosen: a work list of a large shop

#: a dependency that gives the key of who asks, if its role has the permission
page_needs = needs


class PageRoute(CheckedRoute):
    """Asks who it is, and where a form comes from, before anything is read or done."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The framework's handler, behind both questions."""
        handle, permission = super().get_route_handler(), needed_permission(self)
        if permission is None and not hasattr(self.endpoint, "permission"):
            raise TypeError(
                f"{self.path} says nothing of who may see it; give it a parameter "
                'Annotated[Key, Depends(page_needs("..."))], or @open_to_all'
            )

        async def handle_page(request: Request) -> Response:
            if not hasattr(self.endpoint, "is_from_anywhere"):
                refuse_cross_site(request)
            if permission is not None and await key_of_viewer(request, permission) is None:
                return _who_is_it(request)
            return await handle(request)

        return handle_page


def page_router() -> APIRouter:
    """The router of a file of pages. They stand in no description: their twins of `/v1` do."""
    return APIRouter(route_class=PageRoute, include_in_schema=False, default_response_class=Response)


def from_anywhere(endpoint: T) -> T:
    """Mark a page whose form comes from anywhere: its address holds a secret, and no cookie counts."""
    endpoint.is_from_anywhere = True  # type: ignore[attr-defined]  # a function takes attributes
    return endpoint


async def key_of_viewer(request: Request, permission: str) -> Key | None:
    """
    The key of who asks; None: not signed in, or not any more.

    Raises Refused as `key_of` does. A signed-in person is a key for the time of the request.
    """
    if "authorization" not in request.headers and token_of_cookie(request) is None:
        return None
    try:
        return await key_of(request, permission)
    except Refused as refused:
        if refused.code == "session_ended":
            return None
        raise


def wants_json(request: Request) -> bool:
    """True for a script of ours, which reads codes; a person's browser asks for a page."""
    return request.headers.get("accept", "").startswith("application/json")


def _who_is_it(request: Request) -> RedirectResponse:
    """To the sign-in. Raises Refused (401) for a script: a redirect would lead it to a page."""
    if wants_json(request):
        raise Refused("session_missing", status=401, code="session_ended")
    return to_sign_in(request)


def to_sign_in(request: Request) -> RedirectResponse:
    """To the sign-in, and from there back to the page that was asked for."""
    query = f"?{request.url.query}" if request.url.query else ""
    asked = f"{request.url.path}{query}" if request.method in SAFE_METHODS else "/"
    return RedirectResponse(f"{SIGN_IN}?next={quote(asked, safe='/')}", 303)


def own_path(path: str) -> str:
    """A path to go to, as somebody sent it; the front page unless it is one of ours."""
    # Not taken apart: what urlsplit raises for, a browser may follow. One slash has no scheme and no host
    # (RFC 3986 section 4.2); a browser reads a backslash as a slash, and leaves out line ends.
    is_own = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if is_own else "/"


def see_other(path: str) -> RedirectResponse:
    """After an act: the page that shows what became of it (RFC 9110 section 15.4.4). path : one of ours."""
    return RedirectResponse(path, 303)


async def _fields(request: Request) -> AsyncIterator[FormData]:
    async with request.form(max_files=1, max_fields=MAX_FIELDS) as fields:
        request.state.fields = fields
        yield fields  # a file of it is closed once the answer is made


#: the fields of a form
Fields = Annotated[FormData, Depends(_fields)]
