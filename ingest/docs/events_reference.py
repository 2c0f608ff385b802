"""Events that webhooks are sent, from their section of the API's description. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table
from cleanside.ingest.docs.shapes_reference import kind_of

HERE = "shapes.md"  # the page of shapes, as a page beside it names it


def events(description: Mapping[str, Any]) -> str:
    """The page of all events. description : the whole of `/openapi.json`."""
    hooks = {kind: hook["post"] for kind, hook in description["webhooks"].items()}
    first = next(iter(hooks.values()))
    headers = [(code(p["name"]), plain(p["description"])) for p in first["parameters"]]
    opening = (
        "An admin registers an address (`POST /v1/webhooks`). Events are CloudEvents 1.0, sent in order until"
        " the address takes them. Check the signature before you believe one. An event may come twice: keep "
        "the ids of those that you took. The `secret` of the webhook is base64: decode it first, the bytes "
        "are the key of HMAC-SHA256."
    )
    schemas = description["components"]["schemas"]
    parts = [part for kind, hook in hooks.items() for part in _event(kind, hook, schemas)]
    return page("Events of webhooks", opening, table(("header", "meaning"), headers), *parts)


def _event(kind: str, hook: Mapping[str, Any], schemas: Mapping[str, Any]) -> Iterator[str]:
    yield f"## {kind}\n\n{anchor(kind)}{plain(hook['summary'])}."
    (content,) = hook["requestBody"]["content"].values()
    envelope = schemas[content["schema"]["$ref"].rpartition("/")[2]]
    data = schemas[envelope["properties"]["data"]["$ref"].rpartition("/")[2]]
    rows = [
        (code(member), kind_of(inner, here=HERE), plain(inner.get("description", "")))
        for member, inner in data.get("properties", {}).items()
    ]
    yield table(("member of data", "kind", "meaning"), rows) or "Its data is empty."
