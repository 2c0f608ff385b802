"""Matters that cannot wait: what is open, and who sees to it."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path

from cleanside.ingest.api.routes.described_messages import MattersAnswer, MatterShown
from cleanside.ingest.api.routes.shared import R, needs, problems, router_of, text
from cleanside.ingest.api.routes.shop import ShopReader
from cleanside.ingest.errors import NotFound
from cleanside.ingest.messages.choices import may_hear
from cleanside.ingest.store import audit, matters
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.matters import Matter

router = router_of("messages")

MatterId = Annotated[int, Path(ge=1, le=2**53, examples=[1])]
Answerer = Annotated[Key, Depends(needs("changes:write"))]


@router.get("/v1/matters", summary="What cannot wait", response_model=MattersAnswer)
def get_matters(resources: R, key: ShopReader) -> dict[str, Any]:
    """Open matters that the key or person may know of, oldest first. Owners with messages have them."""
    with resources.reading() as connection:
        return {"matters": [matter_document(matter) for matter in heard(connection, key)]}


@router.post(
    "/v1/matters/{matter}/answer",
    summary="Say that one sees to a matter",
    response_model=MatterShown,
    responses=problems(404),
)
def post_matter_answer(matter: MatterId, resources: R, key: Answerer) -> dict[str, Any]:
    """Say that one sees to it: it is not escalated, unless it becomes worse. Said twice, the first counts."""

    def save(connection: sa.Connection) -> Matter:
        found = _find(connection, key, matter)
        if found.answered_us is None:
            now_us = resources.clock()
            matters.edit(connection, matter, answered_us=now_us, answered_by=key.handle)
            audit.note(connection, key.owner_id, now_us, key.handle, "matter_answered", matter=matter)
        return _find(connection, key, matter)

    return matter_document(resources.writer.call(save))


def _find(connection: sa.Connection, key: Key, matter_id: int) -> Matter:
    """An open matter. Raises NotFound for one that is settled, or that the key may not know of."""
    found = matters.find(connection, key.owner_id, matter_id)
    if found is None or found.settled_us is not None or not may_hear(key, found.kind, found.site):
        raise NotFound("matter", str(matter_id))
    return found


def heard(connection: sa.Connection, key: Key) -> list[Matter]:
    """Open matters that a key or person may know of, oldest first."""
    every = matters.open_of(connection, key.owner_id)
    return [matter for matter in every if may_hear(key, matter.kind, matter.site)]


def matter_document(matter: Matter) -> dict[str, Any]:
    """A matter for an answer."""
    about = matter.about
    return {
        "matter": matter.id,
        "kind": matter.kind,
        "subject": matter.subject,
        "site": matter.site,
        "machine": about.get("machine"),
        "display_name": about.get("display_name"),
        "device": about.get("device"),
        "severity": matter.severity,
        "opened_at": text(matter.opened_us),
        "changed_at": text(matter.changed_us),
        "answered_at": text(matter.answered_us),
        "answered_by": matter.answered_by,
        "escalated_at": text(matter.escalated_us),
    }
