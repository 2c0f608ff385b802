"""Quarantine: what is held, and why."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response

from ingest.checks import CODES
from ingest.routes.shared import NAME_PATTERN, Name, R, needs, problems, text
from ingest.store import quarantine
from ingest.store.keys import Key
from ingest.store.quarantine import Entry

router = APIRouter(tags=["quarantine"])

PAGE = 100


@router.get("/v1/quarantine", summary="Readings that are held", responses=problems(), response_class=Response)
def get_quarantine(
    resources: R,
    key: Annotated[Key, Depends(needs("quarantine:read"))],
    code: Annotated[str | None, Query(pattern=NAME_PATTERN)] = None,
    device: Annotated[Name | None, Query()] = None,
    state: Annotated[str, Query(pattern="^(held|released|discarded)$")] = "held",
    after: Annotated[int, Query(ge=0, le=2**53)] = 0,
    limit: Annotated[int, Query(ge=1, le=1_000)] = PAGE,
) -> Response:
    """Held readings in order of receipt, a page at a time; `next` is the `after` of the next page."""
    with resources.reading() as connection:
        found = quarantine.list_of(
            connection,
            key.owner_id,
            state=state,
            code=code,
            device=device,
            after_id=after,
            limit=limit,
        )
    page = {
        "entries": [document_of(entry) for entry in found],
        "next": found[-1].id if len(found) == limit else None,
    }
    return ascii_json(page)


def ascii_json(document: Any) -> Response:
    """JSON in ASCII: what is held may have half characters in its texts, which UTF-8 cannot carry."""
    return Response(json.dumps(document), media_type="application/json")


def document_of(entry: Entry) -> dict[str, Any]:
    """An entry for an answer."""
    return {
        "entry": entry.id,
        "device": entry.device,
        "stream": entry.stream,
        "seq": entry.seq,
        "state": entry.state,
        "code": entry.code,
        "what_to_do": CODES.get(entry.code),
        "reasons": json.loads(entry.reasons),
        "beside_another": entry.beside,
        "content": json.loads(entry.content),
        "amended": None if entry.amended is None else json.loads(entry.amended),
        "received_at": text(entry.received_us),
        "checked_again_at": text(entry.recheck_us),
    }
