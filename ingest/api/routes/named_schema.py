"""
Schemas that stand by their name in the OpenAPI description, and how a model of a route points at one.

A model says `json_schema_extra=named("Units")` or `opened("PressureUnit")`; `resolve` puts the reference in
when the description is made. A closed enumeration is a promise: whatever else is sent is refused. An open one
takes any other text too, and generated clients must not refuse what the server sends.
"""

from __future__ import annotations

from typing import Any

_NAMED, _OPENED = "x-named", "x-opened"


def ref(name: str) -> dict[str, Any]:
    """A schema that stands among the components."""
    return {"$ref": f"#/components/schemas/{name}"}


def named(name: str) -> dict[str, Any]:
    """For a member: its schema is the one of this name."""
    return {_NAMED: name}


def opened(*names: str) -> dict[str, Any]:
    """For a member: one of these enumerations, or any other text."""
    return {_OPENED: list(names)}


def resolve(node: Any) -> None:
    """Put references where a model points at a named schema. In place."""
    if isinstance(node, list):
        for entry in node:
            resolve(entry)
    if not isinstance(node, dict):
        return
    for entry in node.values():
        resolve(entry)
    if (name := node.pop(_NAMED, None)) is not None:
        kept = {key: node[key] for key in ("description", "default") if key in node}
        node.clear()
        node.update(ref(name) | kept)
    if (names := node.pop(_OPENED, None)) is not None:
        text = {key: node.pop(key) for key in ("type", "minLength", "maxLength", "pattern") if key in node}
        node["anyOf"] = [*map(ref, names), text]
