"""GET /v1/audit: who did what, when."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.described_codes import AuditAnswer
from cleanside.ingest.api.routes.paging import P, page_answer
from cleanside.ingest.api.routes.shared import Name, R, needs, router_of, shown, text
from cleanside.ingest.store import audit
from cleanside.ingest.store.keys import Key

router = router_of("audit")


@router.get(
    "/v1/audit",
    summary="Who did what",
    responses=shown(AuditAnswer, tagged=True),
    response_class=Response,
)
def get_audit(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("audit:read"))],
    page: P,
    who: Annotated[Name | None, Query(description="handle of a key, or command")] = None,
    what: Annotated[Name | None, Query(description="one kind of act alone")] = None,
) -> Response:
    """The audit log of this owner, newest first. Nothing in it can be changed or taken out."""
    after = page.after(int)
    with resources.reading() as connection:
        found = audit.entries_of(
            connection,
            key.owner_id,
            who=who,
            what=what,
            before_id=None if after is None else after[0],
            limit=page.limit + 1,
        )
    kept, cursor = page.cut(found, lambda e: (e.id,))
    documents = [
        {"entry": e.id, "at": text(e.at_us), "who": e.who, "what": e.what, "detail": e.detail} for e in kept
    ]
    return page_answer(request, "entries", documents, cursor)
