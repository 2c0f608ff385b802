"""
Whoever is signed in: language, password, where else they are signed in.

Its JSON twins are `/v1/me`, `POST /v1/me/password`, `/v1/sessions` and `/v1/passkeys`. A passkey is made by
`static/passkey.js`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from fastapi import Depends, Path, Request, Response

from cleanside.ingest.api.routes.me import MyChange, change_password, patch_me
from cleanside.ingest.api.routes.passkeys import delete_passkey, get_passkeys
from cleanside.ingest.api.routes.sessions import delete_session, delete_sessions, get_sessions, me_document
from cleanside.ingest.api.routes.shared import R, us
from cleanside.ingest.api.routes.signed_in import give_cookie
from cleanside.ingest.console.forms import FAULTS, FormFault, fault_of, is_sure, read_form, text_of_field
from cleanside.ingest.console.rendering import ask_first, render
from cleanside.ingest.console.routing import SIGN_IN, Fields, page_needs, page_router, see_other
from cleanside.ingest.console.viewer import LANGUAGE_COOKIE, LANGUAGES
from cleanside.ingest.owners.passwords import LONGEST, SHORTEST
from cleanside.ingest.store.keys import Key

router = page_router()

Me = Annotated[Key, Depends(page_needs("me:manage"))]
ME = "/me"
NEW_US = 7 * 24 * 3_600_000_000  # a passkey is shown as new for a week; chosen


@router.get(ME)
def get_me_page(request: Request, resources: R, key: Me) -> Response:
    """Who one is here, and one's sessions."""
    return _page(request, resources, key)


def _page(request: Request, resources: R, key: Key, fault: FormFault | None = None) -> Response:
    passkeys = get_passkeys(resources, key)["passkeys"]
    return render(
        request,
        "me.html",
        key=key,
        status=200 if fault is None else fault.status,
        me=me_document(key),
        sessions=get_sessions(request, resources, key)["sessions"],
        passkeys=passkeys,
        new_passkeys=_new_passkeys(passkeys, resources.clock()),
        languages=LANGUAGES,
        fault=fault,
        shortest=SHORTEST,
        longest=LONGEST,
    )


def _new_passkeys(passkeys: Sequence[Mapping[str, Any]], now_us: int) -> set[int]:
    """Numbers of the passkeys that their person may not know of yet."""
    return {one["passkey"] for one in passkeys if (us(one["created_at"]) or 0) > now_us - NEW_US}


@router.post("/me")
def post_me_page(request: Request, resources: R, key: Me, fields: Fields) -> Response:
    """Keep language and display name; the browser forgets a language that was chosen for it alone."""
    try:
        body = read_form(
            MyChange,
            {
                "language": text_of_field(fields, "language") or None,
                "display_name": text_of_field(fields, "display_name"),
            },
        )
        patch_me(body, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, fault_of(error))
    answer = see_other(ME)
    answer.delete_cookie(LANGUAGE_COOKIE, samesite="lax", httponly=True)
    return answer


@router.post("/me/password")
async def post_password_page(request: Request, resources: R, key: Me, fields: Fields) -> Response:
    """Another password; all sessions end, this browser gets a new one."""
    wanted = text_of_field(fields, "new_password")
    if wanted != text_of_field(fields, "again"):
        return _page(request, resources, key, FormFault("passwords_differ", 422))
    try:
        done = await change_password(request, key, text_of_field(fields, "password"), wanted)
    except FAULTS as error:
        return _page(request, resources, key, fault_of(error))
    answer = see_other(ME)
    give_cookie(request, answer, done.token)
    return answer


@router.post("/me/sessions/{session}/end")
def post_session_end(
    session: Annotated[int, Path(ge=1, le=2**53)], request: Request, resources: R, key: Me
) -> Response:
    """Sign out elsewhere, or here."""
    answer = see_other(ME)
    delete_session(session, request, answer, resources, key)
    return answer


@router.post("/me/sessions/end")
def post_sessions_end(request: Request, resources: R, key: Me) -> Response:
    """Sign out everywhere, here too."""
    answer = see_other(SIGN_IN)
    delete_sessions(request, answer, resources, key)
    return answer


@router.post("/me/passkeys/{passkey}/remove")
def post_passkey_removal(
    passkey: Annotated[int, Path(ge=1, le=2**53)], request: Request, resources: R, key: Me, fields: Fields
) -> Response:
    """Remove a passkey, once its person confirmed it; it signs no person in any more."""
    if not is_sure(fields):
        return ask_first(request, key, "me.remove", "me.remove_sure", back=ME)
    delete_passkey(passkey, resources, key)
    return see_other(ME)
