"""Spreadsheets that were taken in, and taking one back as a whole."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Path, Request, Response
from pydantic import Field

from cleanside.gateway.wire import MAX_LISTED
from cleanside.ingest.api.routes.described_shop import SheetsAnswer, SheetUndoAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.shared import R, Strict, needs, problems, router_of, shown, text
from cleanside.ingest.api.routes.spreadsheets import change_document
from cleanside.ingest.errors import NotFound, Refused
from cleanside.ingest.shop import sheet_undo
from cleanside.ingest.shop.sheet_undo import Undoing
from cleanside.ingest.store import audit, sheet_imports
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.sheet_imports import TakenSheet
from cleanside.ingest.writer.resources import Resources

router = router_of("shop")

Writer = Annotated[Key, Depends(needs("shop:write"))]
SheetNumber = Annotated[int, Path(ge=1, le=2**53, examples=[1])]


class TakeBack(Strict):
    """An order to take a spreadsheet back."""

    preview: bool = Field(False, description="true: take nothing back, say what would go back and what stays")


@router.get(
    "/v1/sheet-imports",
    summary="Spreadsheets that were taken in",
    responses=shown(SheetsAnswer, tagged=True),
    response_class=Response,
)
def get_sheet_imports(request: Request, resources: R, key: Writer, page: P) -> Response:
    """Those that changed something, newest first, with who took them in and back."""
    sheets, cursor = list_sheets(resources, key, page)
    return page_answer(request, "sheets", sheets, cursor)


def list_sheets(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of spreadsheets, and the cursor of the next. Raises Refused (403) for a key of some sites."""
    _require_all_sites(key)
    after = page.after(int)
    with resources.reading() as connection:
        before_id = None if after is None else after[0]
        rows = sheet_imports.list_of(connection, key.owner_id, before_id=before_id, limit=page.limit + 1)
    kept, cursor = page.cut(rows, lambda row: (row.id,))
    return [_document(row) for row in kept], cursor


@router.post(
    "/v1/sheet-imports/{sheet}/taken-back",
    summary="Take a spreadsheet back",
    response_model=SheetUndoAnswer,
    responses=problems(404, 409),
)
@example({"preview": True})
def post_sheet_taken_back(sheet: SheetNumber, body: TakeBack, resources: R, key: Writer) -> dict[str, Any]:
    """
    Put back what a spreadsheet changed, row by row. A row that was changed since stays, and is named.

    A machine that it made is retired, a part that it made stays without stock; sites and crews that it made
    go where nothing uses them.
    """
    _require_all_sites(key)
    now_us = resources.clock()
    if body.preview:
        with resources.reading() as connection:
            row = _find(connection, key, sheet)
            content = sheet_imports.content_of(connection, row.id)
            found = sheet_undo.plan_undo(connection, key.owner_id, row.kind, content, now_us)
            return _undo_document(row, found, preview=True)

    def save(connection: sa.Connection) -> dict[str, Any]:
        row = _find(connection, key, sheet)
        if not sheet_imports.set_taken_back(connection, row.id, now_us, key.handle):
            raise Refused("sheet_is_taken_back", status=409, code="not_undoable", sheet=sheet)
        content = sheet_imports.content_of(connection, row.id)
        found = sheet_undo.plan_undo(connection, key.owner_id, row.kind, content, now_us)
        sheet_undo.apply_undo(
            connection, key.owner_id, row.kind, content, found, made_us=row.at_us, now_us=now_us
        )
        about = {"sheet": sheet, "back": len(found.back), "stays": len(found.stays)}
        audit.note(connection, key.owner_id, now_us, key.handle, "sheet_taken_back", **about)
        return _undo_document(_find(connection, key, sheet), found, preview=False)

    done: dict[str, Any] = resources.writer.call(save)
    return done


def _find(connection: sa.Connection, key: Key, sheet: int) -> TakenSheet:
    row = sheet_imports.find(connection, key.owner_id, sheet)
    if row is None:
        raise NotFound("spreadsheet", str(sheet))
    return row


def _require_all_sites(key: Key) -> None:
    if key.sites:
        raise Refused("sheet_of_all_sites", status=403, code="site_not_yours")


def _document(row: TakenSheet) -> dict[str, Any]:
    return {
        "sheet": row.id,
        "kind": row.kind,
        "at": text(row.at_us),
        "who": row.who,
        "changed": row.changed,
        "taken_back_at": text(row.taken_back_us),
        "taken_back_by": row.taken_back_by,
    }


def _undo_document(row: TakenSheet, found: Undoing, *, preview: bool) -> dict[str, Any]:
    stays = [
        {"row": s.change.row, "name": s.change.name, "housing": s.change.housing, "columns": list(s.columns)}
        for s in found.stays
    ]
    return _document(row) | {
        "preview": preview,
        "back": [change_document(change) for change in found.back[:MAX_LISTED]],
        "back_more": max(0, len(found.back) - MAX_LISTED),
        "stays": stays[:MAX_LISTED],
        "stays_more": max(0, len(stays) - MAX_LISTED),
    }
