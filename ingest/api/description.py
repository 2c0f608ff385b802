"""
The OpenAPI description: what the framework finds, and what it cannot know.

Promises: every route names each status it may answer with, its media type and headers, the roles it takes,
and an example that a test posts. Both tables of codes stand in it, each code with what to do. Generators of
clients find a name for every object and enumeration, JSON first, a format for every instant, and a
description of every property.
Leaves to others: schemas of answers (`ingest.api.routes.described` and its neighbours), what a property means
wherever it stands (`ingest.api.routes.meanings`), the examples (`examples.json`, remade by
`python -m tests.support.story`).
"""

from __future__ import annotations

import copy
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from http import HTTPStatus
from importlib.resources import files
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute

from cleanside.gateway.wire import DATABASE_HEADER, PROBLEM_MEDIA_TYPE
from cleanside.ingest.api.problems import ProblemDetails
from cleanside.ingest.api.routes import batch_schema, described_events, meanings, named_schema
from cleanside.ingest.api.routes.paging import not_modified, tag_of
from cleanside.ingest.api.routes.shared import every_dependant
from cleanside.ingest.intake import codes
from cleanside.ingest.owners.access import keys_with, people_with

DESCRIPTION_PATH = "/openapi.json"
SECURITY = "key"
JSON = "application/json"
REF = "#/components/schemas/{model}"

#: what any route may say; 401 and 403 too where it takes a key
COMMON = (400, 405, 408, 413, 414, 422, 429, 431, 500, 501, 503, 505)
WITH_KEY = (401, 403)
PROBLEMS = tuple(sorted({*COMMON, *WITH_KEY, 404, 409, 415}))

_TEXT = {"schema": {"type": "string"}}
_SECONDS = {"schema": {"type": "string", "pattern": "^[0-9]+$"}, "description": "seconds to wait"}
_DATABASE = {
    "schema": {"type": "string"},
    "description": (
        "which database answered. A new value means that the server was restored from a backup and may have "
        "forgotten readings that it acknowledged: ask for the marks again (POST /v1/streams/marks) and send "
        "what is above them. Absent while the server opens its database"
    ),
}
#: headers of every answer
_EVERY: Mapping[str, Any] = {"Request-Id": _TEXT, DATABASE_HEADER: _DATABASE}
#: status -> headers it always has, beside those of every answer
_HEADERS: Mapping[int, Mapping[str, Any]] = {
    401: {"WWW-Authenticate": _TEXT},
    405: {"Allow": _TEXT},
    429: {"Retry-After": _SECONDS},
    503: {"Retry-After": _SECONDS},
}


class Description:
    """
    The description of an app, made once and kept as bytes.

    It takes a second of processor time and more: never on the event loop, where readings would wait for it.
    `start` makes it ahead in a thread of its own; who asks before it is there waits for it in a thread.
    """

    def __init__(self, make: Callable[[], dict[str, Any]]) -> None:
        """make : the description; called once."""
        self._make, self._lock = make, threading.Lock()
        self._document: dict[str, Any] | None = None
        self._content, self._tag = b"", ""
        self._thread = threading.Thread(target=self.document, name="description", daemon=True)

    def start(self) -> None:
        """Begin to make it."""
        self._thread.start()

    def join(self) -> None:
        """It is not waited for: a server that stops needs none."""

    def document(self) -> dict[str, Any]:
        """The description, made now if it is not there yet."""
        with self._lock:
            if self._document is None:
                document = self._make()
                self._content = json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode()
                self._tag, self._document = tag_of(self._content), document
            return self._document

    def answer(self, request: Request) -> Response:
        """The bytes with their entity tag, or 304 where the client has them."""
        self.document()
        kept = not_modified(request, self._tag)
        return kept or Response(self._content, media_type=JSON, headers={"ETag": self._tag})


def install(app: FastAPI, text: str, routes: Sequence[APIRoute]) -> Description:
    """Make `app.openapi` and DESCRIPTION_PATH give the whole description. text : the opening words."""
    description = Description(lambda: describe(app, text, routes))
    app.openapi = description.document  # type: ignore[method-assign]  # the way the framework names for this
    # No coroutine: it runs in a thread.
    app.add_route(DESCRIPTION_PATH, description.answer, include_in_schema=False)
    return description


def describe(app: FastAPI, text: str, routes: Sequence[APIRoute]) -> dict[str, Any]:
    """The description of these routes."""
    description = get_openapi(
        title=app.title,
        version=app.version,
        openapi_version=app.openapi_version,
        description=f"{text}\n{_tables()}",
        routes=app.routes,
    )
    components = description.setdefault("components", {})
    # The framework's own answer for what does not fit never leaves: ours has another shape.
    for unused in ("HTTPValidationError", "ValidationError"):
        components.get("schemas", {}).pop(unused, None)
    for more in (_problem_schemas(), batch_schema.SCHEMAS, described_events.schemas()):
        components["schemas"] |= copy.deepcopy(dict(more))
    description["webhooks"] = copy.deepcopy(described_events.webhooks())
    components["responses"] = {_name(status): _problem(status) for status in PROBLEMS}
    components["securitySchemes"] = {
        SECURITY: {"type": "http", "scheme": "bearer", "description": "a key, shown once when it is made"}
    }
    for route in routes:
        for method in sorted(route.methods or ()):
            _complete(description["paths"][route.path_format][method.lower()], route, method)
    named_schema.resolve(description)
    meanings.tell(description)
    return description


def _tables() -> str:
    return (
        f"## Codes of problems\n\n{codes.table(codes.NEXT_STEPS)}\n\n"
        f"## Codes under which a reading is quarantined\n\n{codes.table(codes.HELD_CODES)}\n"
    )


def _problem_schemas() -> dict[str, Any]:
    schema = ProblemDetails.model_json_schema(ref_template=REF)
    return {**schema.pop("$defs", {}), "ProblemDetails": schema}


def _complete(operation: dict[str, Any], route: APIRoute, method: str) -> None:
    """Say of one operation what the framework does not know."""
    permission = permission_of(route)
    statuses = {*COMMON, *(WITH_KEY if permission else ())}
    responses: dict[str, Any] = operation["responses"]
    statuses |= {int(status) for status in responses if int(status) >= 400}
    for status in statuses:
        responses[str(status)] = {"$ref": f"#/components/responses/{_name(status)}"}
    for status, response in responses.items():
        if int(status) < 400:
            response["headers"] = response.get("headers", {}) | _EVERY
    if permission is not None:
        operation["security"] = [{SECURITY: []}]
        operation["description"] = f"{operation.get('description', '')}\n\n{_roles(permission)}".strip()
    operation["responses"] = {status: _json_first(responses[status]) for status in sorted(responses)}
    _exemplify(operation, examples().get(f"{method} {route.path_format}", {}))


def _json_first(response: dict[str, Any]) -> dict[str, Any]:
    """A generator takes the first media type for the answer that a program wants."""
    if JSON not in response.get("content", {}):
        return response
    content = response["content"]
    return response | {"content": {JSON: content[JSON], **content}}


def _roles(permission: str) -> str:
    """Which keys and which people may ask."""
    keys, people = (", ".join(roles(permission)) or "none" for roles in (keys_with, people_with))
    return f"Roles: {keys}. Roles of people: {people}."


def permission_of(route: APIRoute) -> str | None:
    """The permission a route asks for; None: it takes no key."""
    named = (getattr(dependant.call, "permission", None) for dependant in every_dependant(route))
    found = next((name for name in named if name), None)
    return found or getattr(route.endpoint, "permission", None)


def _name(status: int) -> str:
    return f"Problem{status}"


def _problem(status: int) -> dict[str, Any]:
    return {
        "description": f"{HTTPStatus(status).phrase}: a problem (RFC 9457), with code and next step",
        "headers": {**_EVERY, **_HEADERS.get(status, {})},
        "content": {PROBLEM_MEDIA_TYPE: {"schema": {"$ref": REF.format(model="ProblemDetails")}}},
    }


def _exemplify(operation: dict[str, Any], example: Mapping[str, Any]) -> None:
    """Put the examples of an operation in, where it does not bring its own."""
    for parameter in operation.get("parameters", ()):
        if (value := example.get("parameters", {}).get(parameter["name"])) is not None:
            parameter["example"] = value
    for media_type, content in operation.get("requestBody", {}).get("content", {}).items():
        if "examples" not in content and media_type == JSON and "body" in example:
            content["example"] = example["body"]
    if "answer" in example:
        contents = operation["responses"][str(example["status"])].get("content", {})
        for media_type, content in contents.items():
            if not content.keys() & {"example", "examples"} and media_type == example["media_type"]:
                content["example"] = example["answer"]


@cache
def examples() -> dict[str, Any]:
    """`METHOD /path` -> parameters, body, status, media_type and answer of a request that was made."""
    found: dict[str, Any] = json.loads(
        (files("cleanside.ingest.api") / "examples.json").read_text(encoding="utf-8")
    )
    return found
