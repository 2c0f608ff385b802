"""The front door, and the choice of a language."""

from __future__ import annotations

from fastapi import Response

from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.console.routing import Fields, own_path, page_router, see_other
from cleanside.ingest.console.viewer import LANGUAGE_COOKIE, LANGUAGES

router = page_router()

A_YEAR_S = 31_536_000


@router.get("/")
@open_to_all
def get_front() -> Response:
    """To the fleet; who is not signed in is sent on from there."""
    return see_other("/fleet")


@router.post("/language")
@open_to_all
def post_language(fields: Fields) -> Response:
    """Keep the language that a person chose, in this browser."""
    answer = see_other(own_path(str(fields.get("next", "/"))))
    chosen = str(fields.get("language", ""))
    if chosen in LANGUAGES:
        answer.set_cookie(LANGUAGE_COOKIE, chosen, max_age=A_YEAR_S, samesite="lax", httponly=True)
    return answer
