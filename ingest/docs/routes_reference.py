"""
Every route with who may ask, its parameters and an example that a test made, from the description of the API.

Leaves to others: the description itself (`ingest.api.description`), the examples (`examples.json`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any
from urllib.parse import quote, urlencode

from cleanside.ingest.api.app import create_app
from cleanside.ingest.api.description import examples
from cleanside.ingest.docs.markdown_text import anchor, code, example, page, plain, table
from cleanside.ingest.docs.shapes_reference import linked
from cleanside.ingest.settings import Settings

LONGEST_EXAMPLE = 6_000  # characters of an answer; chosen: what a reader still scrolls through


@cache
def description() -> dict[str, Any]:
    """The description that `/openapi.json` gives. Nothing is opened for it."""
    return create_app(Settings(database="sqlite://")).openapi()


def pages() -> dict[str, str]:
    """Name -> page of the routes of one noun."""
    by_noun: dict[str, list[str]] = {}
    for path, operations in sorted(description()["paths"].items()):
        for method, operation in operations.items():
            by_noun.setdefault(operation["tags"][0], []).append(_operation(method.upper(), path, operation))
    return {noun.replace(" ", "-"): _page(noun, parts) for noun, parts in sorted(by_noun.items())}


def _page(noun: str, parts: list[str]) -> str:
    opening = (
        "A request shows a key as `Authorization: Bearer KEY`. Every answer has a `Request-Id`. What is not "
        "taken gets a problem with a [code](../problems.md)."
    )
    return page(f"Routes: {noun}", opening, *parts)


def _operation(method: str, path: str, operation: Mapping[str, Any]) -> str:
    shown = examples().get(f"{method} {path}", {})
    parts = [
        f"## {method} {plain(path)}",
        anchor(operation["operationId"]) + plain(operation.get("summary", "")) + ".",
        *map(plain, operation.get("description", "").split("\n\n")),
        *_asked(method, path, operation, shown),
        *_answered(operation, shown),
    ]
    return "\n\n".join(part for part in parts if part)


def _asked(method: str, path: str, operation: Mapping[str, Any], shown: Mapping[str, Any]) -> Iterator[str]:
    rows = [_parameter(parameter) for parameter in operation.get("parameters", ())]
    yield table(("parameter", "in", "meaning"), rows)
    for media_type, content in operation.get("requestBody", {}).get("content", {}).items():
        yield f"Body: {code(media_type)}, {linked(content.get('schema', {}))}."
    if shown:
        yield example(f"{method} {_filled(path, shown.get('parameters', {}))}", words="text")
    if "body" in shown:
        yield example(shown["body"])


def _parameter(parameter: Mapping[str, Any]) -> tuple[str, ...]:
    needed = "" if parameter["in"] == "path" or not parameter.get("required") else " Needed."
    said = parameter.get("description") or parameter["schema"].get("description", "")
    meaning = " ".join((linked(parameter["schema"]), f"– {plain(said)}" if said else ""))
    return code(parameter["name"]), parameter["in"], meaning.strip() + needed


def _filled(path: str, parameters: Mapping[str, Any]) -> str:
    """The address of the example: names filled in, the rest as its query."""
    query = {name: value for name, value in parameters.items() if f"{{{name}}}" not in path}
    for name, value in parameters.items():
        path = path.replace(f"{{{name}}}", quote(str(value), safe=""))
    return f"{path}?{urlencode(query, safe=':/,')}" if query else path


def _answered(operation: Mapping[str, Any], shown: Mapping[str, Any]) -> Iterator[str]:
    for status, response in operation["responses"].items():
        for media_type, content in response.get("content", {}).items() if int(status) < 400 else ():
            yield f"Answer {status}: {code(media_type)}, {linked(content.get('schema', {}))}."
    if "answer" in shown:
        is_json = shown["media_type"] == "application/json"
        text = example(shown["answer"], words="json" if is_json else "text")
        if len(text) <= LONGEST_EXAMPLE:
            yield text
    refused = [status for status in operation["responses"] if int(status) in (404, 409, 415)]
    if refused:
        yield f"Its own refusals: {', '.join(refused)}, beside those of every route."
