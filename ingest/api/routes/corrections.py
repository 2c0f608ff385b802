"""Boot corrections: which times were corrected, and undoing that."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response

from cleanside.ingest.analysis import corrections as acts
from cleanside.ingest.api.routes.described_codes import CorrectionsAnswer, CorrectionShown
from cleanside.ingest.api.routes.paging import P, page_answer
from cleanside.ingest.api.routes.shared import R, needs, problems, router_of, shown, text
from cleanside.ingest.errors import NotFound
from cleanside.ingest.store import corrections
from cleanside.ingest.store.corrections import CorrectionRow
from cleanside.ingest.store.keys import Key

router = router_of("quarantine")


@router.get(
    "/v1/boot-corrections",
    summary="Boots whose times were corrected",
    responses=shown(CorrectionsAnswer, tagged=True),
    response_class=Response,
)
def get_boot_corrections(
    request: Request, resources: R, key: Annotated[Key, Depends(needs("amendments:read"))], page: P
) -> Response:
    """Corrections of boots from later anchors, newest first, and how many readings each moved."""
    after = page.after(int)
    with resources.reading() as connection:
        rows = corrections.list_of(
            connection,
            key.owner_id,
            before_id=None if after is None else after[0],
            limit=page.limit + 1,
        )
        kept, cursor = page.cut(rows, lambda c: (c.id,))
        documents = [_document(connection, c) for c in kept]
    return page_answer(request, "corrections", documents, cursor)


@router.post(
    "/v1/boot-corrections/{correction}/undo",
    summary="Take a correction back",
    response_model=CorrectionShown,
    responses=problems(404),
)
def post_boot_correction_undo(
    correction: Annotated[int, Path(ge=1, le=2**53)],
    resources: R,
    key: Annotated[Key, Depends(needs("quarantine:write"))],
) -> dict[str, Any]:
    """Restore the times of readings as sent. A repeated request continues where the first one ended."""

    def begin(connection: sa.Connection) -> CorrectionRow:
        found = corrections.find(connection, key.owner_id, correction)
        if found is None:
            raise NotFound("correction", str(correction))
        acts.begin_undo(connection, found, key.handle, resources.clock())
        return found

    found = resources.writer.call(begin)
    while resources.writer.call(lambda connection: acts.undo_some(connection, found)):
        pass
    with resources.reading() as connection:
        after = corrections.find(connection, key.owner_id, correction)
        assert after is not None
        return _document(connection, after)


def _document(connection: sa.Connection, found: CorrectionRow) -> dict[str, Any]:
    return {
        "correction": found.id,
        "device": found.device,
        "stream": found.stream,
        "boot": found.boot,
        "first": found.first,
        "last": found.last,
        "shift_s": found.shift_s,
        "uncertainty_s": found.uncertainty_s,
        "anchor": found.anchor,
        "readings": corrections.count_corrected(connection, found),
        "received_at": text(found.received_us),
        "undone_at": text(found.undone_us),
    }
