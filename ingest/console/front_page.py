"""The front door, and the choices that a browser keeps: of a language, of a unit for lists."""

from __future__ import annotations

from collections.abc import Collection

from fastapi import Response
from starlette.datastructures import FormData

from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.console.formats import GAUGE_DECIMALS
from cleanside.ingest.console.routing import Fields, own_path, page_router, see_other
from cleanside.ingest.console.viewer import LANGUAGE_COOKIE, LANGUAGES, LIST_UNIT_COOKIE

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
    return _kept(fields, "language", LANGUAGES, LANGUAGE_COOKIE)


@router.post("/pressures")
@open_to_all
def post_list_unit(fields: Fields) -> Response:
    """Keep the unit in which a person wants every pressure of a list, in this browser."""
    return _kept(fields, "unit", GAUGE_DECIMALS, LIST_UNIT_COOKIE)


def _kept(fields: FormData, name: str, choices: Collection[str], cookie: str) -> Response:
    """Back to where the form stood, with what it chose in a cookie, where that is one of the choices."""
    answer = see_other(own_path(str(fields.get("next", "/"))))
    chosen = str(fields.get(name, ""))
    if chosen in choices:
        answer.set_cookie(cookie, chosen, max_age=A_YEAR_S, samesite="lax", httponly=True)
    return answer
