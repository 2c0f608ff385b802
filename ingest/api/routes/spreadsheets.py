"""Machines, parts and stock as CSV, out and in: see `ingest.shop.spreadsheet` for the rules of a file."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Annotated, Any, Literal

import sqlalchemy as sa
from fastapi import Query, Request, Response
from fastapi.responses import JSONResponse
from starlette.concurrency import run_in_threadpool

from cleanside.gateway.units import from_si
from cleanside.gateway.wire import MAX_LISTED
from cleanside.ingest.api.routes.described_kinds import SheetSeparator
from cleanside.ingest.api.routes.described_shop import SheetAnswer
from cleanside.ingest.api.routes.machines import refuse_if_asked
from cleanside.ingest.api.routes.meter_readings import run_hours_seen
from cleanside.ingest.api.routes.shared import R, problems, router_of
from cleanside.ingest.api.routes.shop import ShopReader, ShopWriter
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.intake import bodies
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.shop import sheet_import, sheet_undo
from cleanside.ingest.shop.machine_sheet import COLUMNS, lines_of
from cleanside.ingest.shop.part_sheet import PART_COLUMNS, part_lines_of
from cleanside.ingest.shop.sheet_import import ImportPlan, RowChange
from cleanside.ingest.shop.sheet_warnings import NearName, OddLimit
from cleanside.ingest.shop.spreadsheet import SheetFault, read_sheet, write_sheet
from cleanside.ingest.store import audit, sheet_imports
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("shop")

SHEET_MEDIA_TYPE = "text/csv"
FILE = {SHEET_MEDIA_TYPE: {"schema": {"type": "string"}}}
TAKES_A_FILE = {"requestBody": {"required": True, "content": FILE}}
GIVES_A_FILE: dict[int | str, dict[str, Any]] = {200: {"content": FILE, "description": "the file"}}
RULES = (
    "UTF-8, with or without byte order mark; comma or semicolon. A number has a decimal point, or in a file "
    "with semicolons a decimal comma. A column that is left out stays as it is, an empty cell takes the "
    "value away. All of a file is taken or nothing; `preview=true` says what it would do, and every fault."
)

Separator = Annotated[SheetSeparator, Query(description="semicolon: with decimal commas")]
Preview = Annotated[bool, Query(description="true: take nothing, say what the file would do")]
#: as `ConfirmedBecause` of a body
Confirmed = Annotated[
    str,
    Query(
        max_length=400,
        description="why new names that are there already but for their capital letters (`near_names`) are "
        "meant; left out: a file that has any is refused with a question",
    ),
]


@router.get(
    "/v1/machines.csv", summary="Machines as a spreadsheet", responses=GIVES_A_FILE, response_class=Response
)
def get_machine_sheet(resources: R, key: ShopReader, separator: Separator = "comma") -> Response:
    """What the shop knows of its machines, one row a housing; retired machines too."""
    with resources.reading() as connection:
        every = sheet_import.machine_rows(connection, key.owner_id, resources.clock())
        rows = [row for row in every if sees_site(key, row["site"])]
    return _file(write_sheet(tuple(COLUMNS.readers), rows, separator), "machines.csv")


@router.get(
    "/v1/parts.csv",
    summary="Parts and stock as a spreadsheet",
    responses=GIVES_A_FILE,
    response_class=Response,
)
def get_part_sheet(resources: R, key: ShopReader, separator: Separator = "comma") -> Response:
    """Parts and stock, one row a part and site."""
    with resources.reading() as connection:
        every = sheet_import.part_rows(connection, key.owner_id)
        rows = [row for row in every if row.get("site") is None or sees_site(key, row["site"])]
    return _file(write_sheet(tuple(PART_COLUMNS.readers), rows, separator), "parts.csv")


@router.post(
    "/v1/machines.csv",
    summary="Bring machines from a spreadsheet",
    description=RULES,
    openapi_extra=TAKES_A_FILE,
    response_model=SheetAnswer,
    responses=problems(415),
)
async def post_machine_sheet(
    request: Request,
    resources: R,
    key: ShopWriter,
    preview: Preview = False,
    confirmed_because: Confirmed = "",
) -> Response:
    """Take in a file of machines."""
    content = await _content(request)
    bring = partial(import_machines, preview=preview, confirmed_because=confirmed_because)
    return JSONResponse(await run_in_threadpool(bring, resources, key, content))


@router.post(
    "/v1/parts.csv",
    summary="Bring parts and stock from a spreadsheet",
    description=RULES,
    openapi_extra=TAKES_A_FILE,
    response_model=SheetAnswer,
    responses=problems(415),
)
async def post_part_sheet(
    request: Request,
    resources: R,
    key: ShopWriter,
    preview: Preview = False,
    confirmed_because: Confirmed = "",
) -> Response:
    """Take in a file of parts."""
    content = await _content(request)
    bring = partial(import_parts, preview=preview, confirmed_because=confirmed_because)
    return JSONResponse(await run_in_threadpool(bring, resources, key, content))


async def _content(request: Request) -> bytes:
    bodies.require_type(request.headers.get("content-type"), (SHEET_MEDIA_TYPE,))
    return await request.body()


def _file(content: bytes, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type="text/csv; charset=utf-8", headers=headers)


# ---------------------------------------------------------------- as a whole, or not at all


def import_machines(
    resources: Resources, key: Key, content: bytes, *, preview: bool, confirmed_because: str = ""
) -> dict[str, Any]:
    """
    Take in a file of machines, or say what it would do. Raises Refused (422) with every fault.

    confirmed_because : as of `Confirmed`.
    """
    sheet = read_sheet(content, COLUMNS)
    lines = lines_of(sheet)
    now_us = resources.clock()

    def plan(connection: sa.Connection) -> ImportPlan:
        seen_h = partial(run_hours_seen, connection)
        found = sheet_import.plan_machines(connection, key.owner_id, lines, now_us, seen_h)
        found.faults[:0] = sheet_import.with_near_groups(connection, key.owner_id, sheet.faults)
        return found

    def apply(connection: sa.Connection, found: ImportPlan) -> None:
        sheet_import.apply_machines(connection, key.owner_id, found, lines, key.handle, now_us)

    run = partial(_run, resources, key, plan, apply, preview=preview, because=confirmed_because)
    return run("machines", now_us)


def import_parts(
    resources: Resources, key: Key, content: bytes, *, preview: bool, confirmed_because: str = ""
) -> dict[str, Any]:
    """Take in a file of parts, or say what it would do. Raises and takes as `import_machines` does."""
    sheet = read_sheet(content, PART_COLUMNS)
    lines = part_lines_of(sheet)

    def plan(connection: sa.Connection) -> ImportPlan:
        found = sheet_import.plan_parts(connection, key.owner_id, lines)
        found.faults[:0] = sheet_import.with_near_groups(connection, key.owner_id, sheet.faults)
        return found

    def apply(connection: sa.Connection, found: ImportPlan) -> None:
        sheet_import.apply_parts(connection, key.owner_id, found)

    run = partial(_run, resources, key, plan, apply, preview=preview, because=confirmed_because)
    return run("parts", resources.clock())


def _run(
    resources: Resources,
    key: Key,
    plan: Callable[[sa.Connection], ImportPlan],
    apply: Callable[[sa.Connection, ImportPlan], None],
    kind: Literal["machines", "parts"],
    now_us: int,
    *,
    preview: bool,
    because: str,
) -> dict[str, Any]:
    if key.sites:
        raise Refused("sheet_of_all_sites", status=403, code="site_not_yours")
    if preview:
        with resources.reading() as connection:
            return sheet_document(plan(connection))

    def save(connection: sa.Connection) -> tuple[ImportPlan, int | None]:
        found = plan(connection)
        if found.faults:
            raise _faulty(found.faults)
        if not because.strip():
            refuse_if_asked([_asked_of_name(near) for near in found.near_names[:MAX_LISTED]])
        apply(connection, found)
        about = {"rows": found.rows, "changed": len(found.changes), "sites": found.new_sites}
        about |= {"crews": found.new_crews} if kind == "machines" else {}
        about |= {"confirmed_because": because} if found.near_names else {}
        audit.note(connection, key.owner_id, now_us, key.handle, f"{kind}_imported", **about)
        if not found.changes:
            return found, None
        content = sheet_undo.content_of(found)
        return found, sheet_imports.put(connection, key.owner_id, now_us, key.handle, kind, content)

    return sheet_document(*resources.writer.call(save), preview=False)


def _faulty(faults: list[SheetFault]) -> Refused:
    shown = faults[:MAX_LISTED]
    return Refused(
        "sheet_faulty",
        status=422,
        errors=[_complaint(fault) for fault in shown],
        more_errors=len(faults) - len(shown),
        faults=len(faults),
    )


def _pointer(fault: SheetFault) -> str:
    if fault.row is None:
        return "#"
    return f"#/row/{fault.row}" + (f"/{fault.column}" if fault.column else "")


def _complaint(fault: SheetFault) -> Complaint:
    said = {"value": fault.value[:100], "rule": fault.rule, "next_step": fault.next_step}
    return Complaint(_pointer(fault), "cell_faulty", fault=fault.code, **said)


def sheet_document(plan: ImportPlan, sheet: int | None = None, *, preview: bool = True) -> dict[str, Any]:
    """What an import did or would do, for an answer. sheet : its number, by which it can be taken back."""
    return {
        "preview": preview,
        "sheet": sheet,
        "rows": plan.rows,
        "unchanged": plan.rows - len(plan.changes),
        "changes": [change_document(change) for change in plan.changes[:MAX_LISTED]],
        "changes_more": max(0, len(plan.changes) - MAX_LISTED),
        "new_sites": plan.new_sites,
        "new_crews": plan.new_crews,
        "nearest": [{"name": name, "existing": near} for name, near in plan.nearest.items()],
        "unknown_parts": plan.unknown_parts,
        "new_machines": plan.new_machines[:MAX_LISTED],
        "near_kinds": [{"name": name, "existing": near} for name, near in plan.near_kinds.items()],
        "near_names": [_near_name_document(near) for near in plan.near_names],
        "odd_limits": [_odd_limit_document(odd) for odd in plan.odd_limits[:MAX_LISTED]],
        "faults": [_fault_document(fault) for fault in plan.faults[:MAX_LISTED]],
        "faults_more": max(0, len(plan.faults) - MAX_LISTED),
    }


def change_document(change: RowChange) -> dict[str, Any]:
    return {
        "row": change.row,
        "name": change.name,
        "housing": change.housing,
        "is_new": change.is_new,
        "columns": list(change.values),
        "values": [
            {"column": column, "before": change.before[column], "after": value}
            for column, value in change.values.items()
        ],
    }


def _asked_of_name(near: NearName) -> Complaint:
    """The question of a new name, as forms ask it."""
    new = near.new
    return Complaint(f"#/row/{new.row}/{new.column}", "name_but_for_case", name=new.name, other=near.existing)


def _near_name_document(near: NearName) -> dict[str, Any]:
    new = near.new
    about = {"row": new.row, "noun": new.noun, "machine": new.machine or None}
    return about | {"name": new.name, "existing": near.existing}


def _odd_limit_document(odd: OddLimit) -> dict[str, Any]:
    limit = odd.limit
    return {
        "row": limit.row,
        "machine": limit.machine,
        "housing": limit.housing,
        "kind": limit.kind,
        "limit": limit.value,
        "limit_unit": limit.unit,
        "others": round(from_si(odd.others_pa, limit.unit, "restriction"), 3),
    }


def _fault_document(fault: SheetFault) -> dict[str, Any]:
    return {
        "row": fault.row,
        "column": fault.column,
        "value": fault.value,
        "code": fault.code,
        "values": dict(fault.values),
        "rule": fault.rule,
        "next_step": fault.next_step,
    }
