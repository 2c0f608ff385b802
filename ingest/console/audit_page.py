"""
The audit log: who did what, when. Nothing in it can be changed.

Its JSON twin is `GET /v1/audit` with the same filters.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.audit import list_audit
from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.console.audit_words import values_of
from cleanside.ingest.console.rendering import address_with, render, sayer_of
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.store.audit import SENTENCES
from cleanside.ingest.store.keys import Key

router = page_router()

MOST_WHO = 64


@router.get("/audit")
def get_audit_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("audit:read"))],
    page: Annotated[Page, Depends(paged())],
    who: Annotated[str, Query(max_length=MOST_WHO)] = "",
    what: Annotated[str, Query(max_length=MOST_WHO)] = "",
) -> Response:
    """Entries, newest first. who, what : "" = any."""
    say = sayer_of(request, key)
    entries, cursor = list_audit(resources, key, page, who=who.strip() or None, what=what or None)
    return render(
        request,
        "audit.html",
        key=key,
        entries=[(entry, values_of(say, entry)) for entry in entries],
        kinds=list(SENTENCES),
        known_kinds=SENTENCES,
        who=who,
        what=what,
        is_first=page.is_first,
        next_page=cursor and address_with(request, cursor=cursor),
    )
