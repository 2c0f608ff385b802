"""The requests that routes show in their own files, for tests over all routes."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fastapi.routing import APIRoute

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.api.routes.example import RequestExample

Route = tuple[str, str]


def example_of(route: APIRoute) -> RequestExample | None:
    """What a route shows; None: it shows nothing, and takes neither body nor query."""
    found: RequestExample | None = getattr(route.endpoint, "example", None)
    return found


ROUTES: Mapping[Route, APIRoute] = {
    (method, route.path): route for route in all_routes() for method in sorted(route.methods or ())
}
EXAMPLES: Mapping[Route, RequestExample] = {
    name: shown for name, route in ROUTES.items() if (shown := example_of(route)) is not None
}


def filled(template: Any, names: Mapping[str, Any]) -> Any:
    """The template with {kind} replaced; a member that is nothing else takes the type of the name."""
    if isinstance(template, Mapping):
        return {key: filled(value, names) for key, value in template.items()}
    if isinstance(template, list):
        return [filled(value, names) for value in template]
    if isinstance(template, str):
        if whole := re.fullmatch(r"{(\w+)}", template):
            return names[whole[1]]
        return re.sub(r"{(\w+)}", lambda m: str(names[m[1]]), template)
    return template
