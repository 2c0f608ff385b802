"""
What went wrong, as a page: what happened, what is safe, what to try, and a number to quote.

Promises: no traceback, no path of the server; of an error of ours (500) nothing but the number.
Leaves to others: every error in JSON (`ingest.api.problems`), which asks here whether it is for a page.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import Request, Response
from fastapi.responses import JSONResponse

from cleanside.gateway.wire import PROBLEM_MEDIA_TYPE
from cleanside.ingest.console.field_faults import FieldFault, field_faults, said_plainly
from cleanside.ingest.console.new_machine import form_address, may_add
from cleanside.ingest.console.rendering import render, sayer_of
from cleanside.ingest.console.routing import SAFE_METHODS, PageRoute, wants_json
from cleanside.ingest.console.wording import has_words
from cleanside.ingest.store.keys import Key

#: statuses with words of their own; the others are said by their hundred
STATUSES = (401, 403, 404, 413, 422, 429, 503)
#: what was only looked at opens again by itself, also without scripts
PASSING = ("fleet_being_worked_out",)
#: codes with words of their own
CODES = (*PASSING, "docs_not_built")


def page_of_problem(request: Request, said: Mapping[str, Any], headers: Mapping[str, str]) -> Response | None:
    """The page of a problem document; for a script of a page, also in words; None: it is not for a page."""
    route = request.scope.get("route")
    if isinstance(route, PageRoute) and wants_json(request):
        return _for_script(request, said, headers)
    if not _is_for_page(request):
        return None
    status = said["status"]
    words = status if status in STATUSES else f"{status // 100}xx"
    words = said["code"] if said["code"] in CODES else words
    is_looked_at = request.method in SAFE_METHODS
    return render(
        request,
        "error.html",
        key=_key_of(request),
        status=status,
        headers=headers,
        words=f"error.{words}",
        said=said,
        problem=problem_key(said["code"]),
        faults=_faults_of(request),
        opens_again_s=headers.get("Retry-After") if is_looked_at and said["code"] in PASSING else None,
        asked_for=f"{request.url.path}?{request.url.query}".rstrip("?"),
        **_machine_to_add(request, said["code"]),
    )


def _machine_to_add(request: Request, code: str) -> dict[str, str | None]:
    """The form for a machine that is not there, by the name in the address, for who may add one."""
    machine = request.path_params.get("machine") if code == "unknown_machine" else None
    is_offered = machine is not None and may_add(_key_of(request))
    return {"path_machine": machine, "new_machine": form_address(machine) if machine and is_offered else None}


def problem_key(code: str) -> str:
    """The key of what a problem means to a person and what to do; every page has words for its code."""
    key = f"problem.{code}"
    return key if has_words(key) else "problem.not_valid"


def _for_script(request: Request, said: Mapping[str, Any], headers: Mapping[str, str]) -> Response | None:
    """
    The document with what is wrong in the language of who looks, as `said`, and the fields of the form that
    it is about, as `fields`; None: it has no such words.
    """
    faults = [fault for fault in _faults_of(request) if fault.code]
    if not faults:
        return None
    words = said_plainly(sayer_of(request, _key_of(request)), faults)
    content = {**said, "said": words, "fields": [fault.field for fault in faults if fault.field]}
    return JSONResponse(content, said["status"], dict(headers), media_type=PROBLEM_MEDIA_TYPE)


def _key_of(request: Request) -> Key | None:
    key: Key | None = getattr(request.state, "key", None)
    return key


def _faults_of(request: Request) -> tuple[FieldFault, ...]:
    cause = getattr(request.state, "refused_by", None)
    return () if cause is None else field_faults(cause)


def _is_for_page(request: Request) -> bool:
    """True for an address of a page, and for a browser at an address where there is nothing."""
    route = request.scope.get("route")
    if route is not None:
        return isinstance(route, PageRoute) and not wants_json(request)
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/v1/")
