"""
Style, scripts and pictures, each under an address that changes with its content.

Promises: an address is good for ever, so browsers keep what it gave for a year; another content has another
address. Nothing comes from elsewhere.
Leaves to others: what was made outside and how it got here (`vendored.toml`, `.ci/vendor`).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from cleanside.ingest.api.routes.paging import not_modified
from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.console.routing import page_router

router = page_router()

TYPES = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "png": "image/png",
    "webmanifest": "application/manifest+json",
}
FOR_EVER = "public, max-age=31536000, immutable"
FOLDER = files("cleanside.ingest.console") / "static"


@dataclass(frozen=True, slots=True)
class StaticFile:
    """One file as it is sent."""

    content: bytes
    digest: str
    media_type: str


@cache
def every_file() -> dict[str, StaticFile]:
    """Name -> file; only kinds of TYPES are sent."""
    found = {}
    for entry in FOLDER.iterdir():
        media_type = TYPES.get(entry.name.rpartition(".")[2])
        if media_type is not None:
            content = entry.read_bytes()
            digest = hashlib.sha256(content).hexdigest()[:16]
            found[entry.name] = StaticFile(content, digest, media_type)
    return found


def address_of(name: str) -> str:
    """The address of a file. Raises KeyError where there is none of this name."""
    return f"/static/{every_file()[name].digest}/{name}"


@router.get("/static/{digest}/{name}")
@open_to_all
def get_static(digest: str, name: str, request: Request) -> Response:
    """A file, if its content is that of the address."""
    file = every_file().get(name)
    if file is None or file.digest != digest:
        raise HTTPException(404)
    tag = f'"{file.digest}"'
    headers = {"ETag": tag, "Cache-Control": FOR_EVER}
    known = not_modified(request, tag, headers)
    return known or Response(file.content, media_type=file.media_type, headers=headers)
