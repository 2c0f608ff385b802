"""
The fields of a request's head by name: every request of a gateway is looked at for half a dozen of them.

Leaves to others: bounds of a head (`ingest.api.http_rules`).
"""

from __future__ import annotations

from collections.abc import Mapping

from starlette.types import Scope

_FIELDS = "head_fields"  # in the state of a request; "fields" is the form of a page


def fields_of(scope: Scope) -> Mapping[bytes, bytes]:
    """Name in lower case -> value; of a field that stands several times the first. Made once a request."""
    state = scope.setdefault("state", {})
    fields: Mapping[bytes, bytes] | None = state.get(_FIELDS)
    if fields is None:
        fields = state[_FIELDS] = dict(reversed(scope["headers"]))
    return fields


def field(scope: Scope, name: bytes) -> str | None:
    """A field as text; None: it is not there."""
    value = fields_of(scope).get(name)
    return None if value is None else value.decode("latin-1")
