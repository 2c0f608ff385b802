"""What objects and enumerations of the API look like, from the schemas of its description. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table

#: the page of shapes, as pages of routes (one folder below) name it
SHAPES = "../shapes.md"


def shapes(schemas: Mapping[str, Any]) -> str:
    """The page of all named schemas. schemas : those of the description's components."""
    opening = (
        "Every object and enumeration of the API by the name that a generated client gives it. Let a program "
        "pass over members and values that it does not know: a later release may add some."
    )
    return page("Objects and enumerations", opening, *(_schema(*item) for item in sorted(schemas.items())))


def _schema(name: str, schema: Mapping[str, Any]) -> str:
    # No heading: two hundred of them would be copied into the contents of every page.
    parts = [f"{anchor(name)}**{name}**", plain(schema.get("description", ""))]
    if "enum" in schema:
        parts.append("Values: " + ", ".join(f"{anchor(f'{name}-{v}')}{code(v)}" for v in schema["enum"]))
    rows = [
        (code(member), kind_of(inner, here=""), plain(inner.get("description", "")))
        for member, inner in schema.get("properties", {}).items()
    ]
    parts.append(table(("member", "kind", "meaning"), rows))
    return "\n\n".join(part for part in parts if part)


def linked(schema: Mapping[str, Any]) -> str:
    """The kind of a schema for a page of routes, with a link to its shape."""
    return kind_of(schema, here=SHAPES)


def kind_of(schema: Mapping[str, Any], *, here: str) -> str:
    """A schema in a word or two. here : the page of shapes, as this page names it; "": this page."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return f'<a href="{here.replace(".md", ".html")}#{name}">{name}</a>'
    for several in ("anyOf", "oneOf", "allOf"):
        if several in schema:
            return " or ".join(dict.fromkeys(kind_of(inner, here=here) for inner in schema[several]))
    if schema.get("type") == "array":
        return f"list of {kind_of(schema.get('items', {}), here=here)}"
    if "const" in schema or "enum" in schema:
        return " or ".join(code(value) for value in schema.get("enum", [schema.get("const")]))
    kinds = schema.get("type", "any")
    said = " or ".join(kinds) if isinstance(kinds, list) else str(kinds)
    return f"{said} ({schema['format']})" if "format" in schema else said
