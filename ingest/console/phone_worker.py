"""The service worker: a script that keeps pages on the phone. It stands at the root, for all pages."""

from __future__ import annotations

from fastapi import Response

from cleanside.ingest.api.routes.shared import open_to_all
from cleanside.ingest.console.routing import page_router
from cleanside.ingest.console.static_files import every_file

router = page_router()

#: it loads nothing but what it keeps, from here alone (Service Workers, W3C: its policy is its own)
POLICY = "default-src 'none'; connect-src 'self'"


@router.get("/worker.js")
@open_to_all
def get_worker() -> Response:
    """The script. Its address stays, so a browser asks for it each time and compares the bytes."""
    worker = every_file()["worker.js"]
    headers = {"Cache-Control": "no-cache", "Content-Security-Policy": POLICY}
    return Response(worker.content, media_type=worker.media_type, headers=headers)
