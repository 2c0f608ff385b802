"""
Every error leaves in one shape: application/problem+json (RFC 9457), with a stable code.

    {"type": "/docs/problems/<code>", "code", "title", "status", "detail",
     "next_step", "errors": [{"pointer", "detail"}], "request_id", "server_time"}

`errors` names all problems of a request at once; where they were cut, `errors_more` counts the rest.
"""

from __future__ import annotations

import json
import logging
import math
import re
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from cleanside.gateway import wire
from cleanside.ingest.api.routes.names import DAY_PATTERN, DAY_RULE, RULES, TEXT_RULES
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.errors import ArchiveUnreadable, BlockDamaged, BodyNotJson, Refused, TryAgain, writable
from cleanside.ingest.intake import codes

log = logging.getLogger("cleanside.ingest")

#: members whose value is in no answer
_NEVER_SHOWN = frozenset({"password", "new_password"})
_SHOWN = 100  # characters of a refused value; chosen: enough to recognise it

#: kind of a finding of the validator -> rule and next step, of the limits that it names
_SENTENCES: Mapping[str, str] = {
    "greater_than_equal": "it is below {ge}; give {ge} or more",
    "greater_than": "it is not above {gt}; give more than {gt}",
    "less_than_equal": "it is above {le}; give {le} or less",
    "less_than": "it is not below {lt}; give less than {lt}",
    "string_too_short": "it is shorter than {min_length} characters; write more",
    "string_too_long": "it is longer than {max_length} characters; shorten it",
    "too_short": "it has fewer than {min_length} entries; give at least {min_length}",
    "too_long": "it has more than {max_length} entries; give at most {max_length}",
    "literal_error": "it is none of the choices; give {expected}",
    "int_parsing": "it is no whole number; write it like 12",
    "int_type": "it is no whole number; write it like 12",
    "int_from_float": "it is no whole number; write it like 12",
    "float_parsing": "it is no number; write it like 12.5",
    "float_type": "it is no number; write it like 12.5",
    "bool_parsing": "it is neither true nor false; give one of them",
    "bool_type": "it is neither true nor false; give one of them",
    "string_type": "it is no text; put it in quotation marks",
    "list_type": "it is no list; put it in square brackets",
}


class ProblemError(BaseModel):
    """One thing wrong with the request."""

    pointer: str = Field(description="JSON pointer as a URI fragment, or the header", examples=["#/units"])
    detail: str = Field(description="value, rule and next step")


class ProblemDetails(BaseModel):
    """The shape of every error (RFC 9457)."""

    type: str = Field(examples=["/docs/problems/not_a_batch"])
    code: str = Field(description="stable; decide by this", examples=["not_a_batch"])
    title: str
    status: int = Field(examples=[422])
    detail: str
    next_step: str = Field(description="what to do about it", examples=["correct what errors names"])
    errors: list[ProblemError] = Field(description="all problems of the request at once; may be empty")
    errors_more: int | None = Field(None, description="problems beyond those listed")
    request_id: str
    server_time: str = Field(description="when this was said, RFC 3339 in UTC; made for each answer")


def respond(
    request: Request,
    status: int,
    code: str,
    detail: str,
    *,
    errors: Sequence[ProblemError] = (),
    more_errors: int = 0,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """The one error shape; as a page where a page was asked for."""
    services = services_of(request)
    said = document(
        status,
        code,
        detail,
        errors=errors,
        more_errors=more_errors,
        request_id=getattr(request.state, "request_id", ""),
        now_us=services.clock(),
    )
    page = services.error_page(request, said, headers or {})
    return page or JSONResponse(said, status, dict(headers or {}), media_type=wire.PROBLEM_MEDIA_TYPE)


def document(
    status: int,
    code: str,
    detail: str,
    *,
    request_id: str,
    now_us: int,
    errors: Sequence[ProblemError] = (),
    more_errors: int = 0,
) -> dict[str, Any]:
    """The members of a problem. now_us : the server's clock, by which a gateway may set its time. Pure."""
    said: dict[str, Any] = {
        "type": f"/docs/problems/{code}",
        "code": code,
        "title": codes.TITLES[code],
        "status": status,
        "detail": writable(detail),
        "next_step": codes.NEXT_STEPS.get(code, "see detail"),
        "errors": [{"pointer": writable(e.pointer), "detail": writable(e.detail)} for e in errors],
        "request_id": request_id,
        "server_time": wire.instant_text(now_us),
    }
    return said | {"errors_more": more_errors} if more_errors else said


def install(app: FastAPI) -> None:
    """Turn every exception we expect into the one shape; `broken` is for the others."""
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(TryAgain, _try_again)
    app.add_exception_handler(ArchiveUnreadable, _archive_unreadable)
    app.add_exception_handler(BlockDamaged, _block_damaged)
    app.add_exception_handler(wire.BatchRefused, _batch_refused)
    app.add_exception_handler(RequestValidationError, _not_valid)
    app.add_exception_handler(BodyNotJson, _body_not_json)
    app.add_exception_handler(HTTPException, _of_the_framework)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)
    services_of(request).count_refusal(request, error)
    request.state.refused_by = error  # a page says it in the language of who looks
    return respond(
        request,
        error.status,
        error.code,
        str(error),
        errors=[ProblemError(pointer=e.pointer, detail=str(e)) for e in error.errors],
        more_errors=error.more_errors,
        headers=error.headers,
    )


async def _try_again(request: Request, error: Exception) -> Response:
    assert isinstance(error, TryAgain)
    return respond(request, 503, error.code, str(error), headers={"Retry-After": str(error.retry_after_s)})


async def _archive_unreadable(request: Request, error: Exception) -> Response:
    log.error("ingest.archive_unreadable", extra={"reason": str(error)[:200]})
    return respond(request, 503, "store_unavailable", str(error), headers={"Retry-After": "60"})


async def _block_damaged(request: Request, error: Exception) -> Response:
    log.error("ingest.block_damaged", extra={"reason": str(error)[:200]})
    return respond(request, 503, "store_unavailable", str(error), headers={"Retry-After": "60"})


async def _batch_refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, wire.BatchRefused)
    many = len(error.problems) + error.more
    detail = error.problems[0].detail if many == 1 else f"{many} problems; see errors"
    return respond(
        request,
        error.status,
        error.code,
        detail,
        errors=[ProblemError(pointer=p.pointer, detail=p.detail) for p in error.problems],
        more_errors=error.more,
    )


async def _body_not_json(request: Request, error: Exception) -> Response:
    assert isinstance(error, BodyNotJson)
    return await _batch_refused(request, error.refused)


async def _not_valid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    request.state.refused_by = error
    errors = [ProblemError(pointer=_pointer(e["loc"]), detail=_said(e)) for e in error.errors()]
    detail = errors[0].detail if len(errors) == 1 else f"{len(errors)} problems; see errors"
    return respond(
        request,
        422,
        "not_valid",
        detail,
        errors=errors[: wire.MAX_LISTED],
        more_errors=max(0, len(errors) - wire.MAX_LISTED),
    )


#: an offset whose + became a space, as in the query of an address (HTML, application/x-www-form-urlencoded)
_LOST_PLUS = re.compile(r" \d\d:\d\d$")


def _said(found: Mapping[str, Any]) -> str:
    """One finding of the validator as value, rule and next step."""
    kind, name = found["type"], str(found["loc"][-1])
    if kind == "missing":
        return f"{name} is missing; give it"
    if kind == "extra_forbidden":
        return f"{name} is not known here; leave it out, or correct its name"
    if kind == "model_attributes_type":
        return "the body must be a JSON object; send one, with Content-Type: application/json"
    rule = str(found["msg"]).removeprefix("Value error, ")
    if kind == "value_error":
        lost = found["loc"][0] == "query" and _LOST_PLUS.search(str(found["input"]))
        return f"{rule}; a + is written %2B in an address" if lost else rule
    if isinstance(found["input"], float) and math.isinf(found["input"]):
        return f"{name} is too large for a number; give a smaller one"
    if kind == "string_pattern_mismatch":
        pattern = found["ctx"]["pattern"]
        rule = {**RULES, **TEXT_RULES}.get(pattern, f"it must match {pattern}")
        rule = DAY_RULE if pattern == DAY_PATTERN else rule
    elif kind in ("too_short", "too_long") and isinstance(found["input"], str):
        rule = _SENTENCES[f"string_{kind}"].format(**found["ctx"])  # a length that a text and a list share
    elif kind in _SENTENCES:
        rule = _SENTENCES[kind].format(**found.get("ctx", {}))
    if name in _NEVER_SHOWN:
        return rule
    shown = json.dumps(found["input"], ensure_ascii=False, default=str)
    return f"{writable(shown[:_SHOWN])}: {rule}"


def _pointer(location: Sequence[int | str]) -> str:
    place, *path = [str(part).replace("~", "~0").replace("/", "~1") for part in location] or ["body"]
    return "#" + "".join(f"/{part}" for part in path) if place == "body" else "/".join([place, *path])


async def _of_the_framework(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    status = error.status_code
    if status == 404:
        return respond(
            request, 404, "not_found", f"there is nothing at {request.url.path}; see /openapi.json"
        )
    if status == 405:
        allowed = ", ".join(_methods_at(request)) or (error.headers or {}).get("Allow", "")
        detail = f"{request.method} is not for {request.url.path}; allowed: {allowed}"
        return respond(request, 405, "method_not_allowed", detail, headers={"Allow": allowed})
    if status == 413:
        detail = f"the body has more than {error.detail} bytes; send less at once"
        return respond(request, 413, "body_too_large", detail)
    detail = str(error.detail) or HTTPStatus(status).phrase
    return respond(request, status, "not_valid", detail, headers=error.headers)


def _methods_at(request: Request) -> list[str]:
    """Methods of all routes at this address; the framework names those of the first only."""
    methods_there: set[str] = set()
    for route in request.app.routes:
        if isinstance(route, APIRoute) and route.path_regex.match(request.url.path):
            methods = route.methods or set()
            methods_there |= methods | ({"HEAD"} if "GET" in methods else set())
    return sorted(methods_there)


def _of(request: Request) -> dict[str, str]:
    """The fields that identify a request in the log."""
    request_id = getattr(request.state, "request_id", "")
    return {"request_id": request_id, "method": request.method, "path": request.url.path[:200]}


def broken(request: Request, error: Exception) -> Response:
    """The answer to what should not happen; the log has the rest."""
    log.error("ingest.broken", extra=_of(request), exc_info=error)
    detail = "something went wrong that should not; nothing is acknowledged, send again later"
    return respond(request, 500, "server_broken", detail)
