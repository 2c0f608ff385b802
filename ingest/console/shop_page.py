"""
What the shop knows: sites, crews, parts and stock; spreadsheets in and out; the papers of a machine.

JSON twins: `GET /v1/shop`, `POST /v1/sites`, `/v1/crews`, `/v1/parts`, `/v1/machines.csv`, `/v1/parts.csv`,
`PATCH /v1/machines/{machine}/papers`. A spreadsheet is previewed first; taking it brings the same text again.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Annotated, Any, Literal, NamedTuple
from urllib.parse import quote, urlencode

from fastapi import Depends, Query, Request, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from cleanside.gateway.wire import instant_text
from cleanside.ingest.api.routes.machines import get_machine, list_machines
from cleanside.ingest.api.routes.meter_readings import NewMeterReading, get_meter_readings, post_meter_reading
from cleanside.ingest.api.routes.paging import PAGE, Page, paged
from cleanside.ingest.api.routes.papers import HousingEdit, LaidUp, NextService, PapersEdit, patch_papers
from cleanside.ingest.api.routes.part_orders import (
    NewOrder,
    OrderId,
    OrderStep,
    get_part_orders,
    post_new_part_order,
    post_part_order,
)
from cleanside.ingest.api.routes.shared import Name, PathName, R
from cleanside.ingest.api.routes.sheet_imports import (
    SheetNumber,
    TakeBack,
    list_sheets,
    post_sheet_taken_back,
)
from cleanside.ingest.api.routes.shop import (
    NewCrew,
    NewPart,
    NewSite,
    StockLine,
    delete_crew,
    delete_site,
    get_shop,
    post_crew,
    post_part,
    post_site,
)
from cleanside.ingest.api.routes.spreadsheets import (
    Separator,
    get_machine_sheet,
    get_part_sheet,
    import_machines,
    import_parts,
)
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.forms import FIELD_FAULTS, GROUPED, FormReader, is_sure, trimmed_field
from cleanside.ingest.console.new_machine import keep_new_machine, may_add
from cleanside.ingest.console.rendering import address_with, ask_first, render, sayer_of
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.unit_choices import units_to_choose
from cleanside.ingest.console.visit_sheet import decimals_of
from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.access import allows
from cleanside.ingest.store import part_orders
from cleanside.ingest.store.keys import Key

router = page_router()

ShopViewer = Annotated[Key, Depends(page_needs("shop:read"))]
ShopEditor = Annotated[Key, Depends(page_needs("shop:write"))]

GROUPS = ("site", "crew")
IMPORTS = {"machines": import_machines, "parts": import_parts}
METER_FIELDS = ("meter_hours", "old_meter_hours", "new_meter_began_hours")
#: field of a body -> of the form of papers
FIELDS_OF_PAPERS = {"from": "laid_up_from", "until": "laid_up_until", "on": "service_on"}
#: how many stock lines the form of a part has
STOCK_LINES = 3
SHEETS = 10  # spreadsheets that were taken in, newest first; chosen


@router.get("/shop")
def get_shop_page(
    request: Request,
    resources: R,
    key: ShopViewer,
    page: Annotated[Page, Depends(paged(PAGE, PAGE))],
    came: Annotated[int | None, Query()] = None,
    came_to: Annotated[Name | None, Query()] = None,
    machine: Annotated[Name | None, Query()] = None,
) -> Response:
    """
    Sites, crews, parts, machines with their papers.

    came, came_to : an order just booked, and where. machine : one to add, by name.
    """
    booked = None if came is None or came_to is None else _booked(resources, key, came, came_to)
    kept = {} if machine is None else {"machine": machine}
    return _shop_page(request, resources, key, page, booked=booked, kept=kept)


def _booked(resources: R, key: Key, order: int, site: str) -> dict[str, Any] | None:
    """What came with an order; None: it is open, or not for this key."""
    with resources.reading() as connection:
        found = part_orders.find(connection, key.owner_id, order, key.sites)
    if found is None or found.ended_us is None:
        return None
    return {"part": found.part, "pieces": found.pieces, "site": site}


@router.post("/shop/site")
def post_site_form(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """Make or name a site."""
    return _kept(request, resources, key, fields, _site)


@router.post("/shop/crew")
def post_crew_form(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """Make or name a crew."""
    return _kept(request, resources, key, fields, _crew)


@router.post("/shop/machine")
def post_machine_form(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """Add one machine; then its papers."""
    leads_to = f"/machines/{quote(trimmed_field(fields, 'machine'))}/papers"
    return _kept(request, resources, key, fields, keep_new_machine, leads_to=leads_to)


@router.post("/shop/part")
def post_part_form(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """Enter a part and its stock."""
    return _kept(request, resources, key, fields, _part)


@router.post("/shop/orders")
def post_new_order_form(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """An order without a plan. The same form sent twice is one order."""

    def keep(fields: Fields, resources: R, key: Key) -> None:
        reader = FormReader()
        pieces = reader.read(lambda: whole_number(trimmed_field(fields, "order_pieces"), "order_pieces"))
        needed_on = trimmed_field(fields, "order_needed_on") or None
        given = {"part": trimmed_field(fields, "order_part"), "pieces": pieces, "needed_on": needed_on}
        given |= {"ordered": bool(fields.get("was_ordered")), "entry_id": trimmed_field(fields, "entry_id")}
        order = reader.body(lambda: NewOrder.model_validate(given), under="order_")
        post_new_part_order(order, resources, key)

    return _kept(request, resources, key, fields, keep, leads_to="/shop#orders")


@router.post("/shop/orders/{order}")
def post_order_form(
    order: OrderId, request: Request, resources: R, key: ShopEditor, fields: Fields
) -> Response:
    """What became of an order."""

    def keep(fields: Fields, resources: R, key: Key) -> None:
        pieces = whole_number(trimmed_field(fields, "order_pieces"), "pieces")
        site = trimmed_field(fields, "order_site") or None
        given = {"done": trimmed_field(fields, "done"), "site": site, "pieces": pieces}
        post_part_order(order, OrderStep.model_validate(given), resources, key)

    came_to = trimmed_field(fields, "order_site") if trimmed_field(fields, "done") == "came" else ""
    said = f"?{urlencode({'came': order, 'came_to': came_to})}" if came_to else ""
    return _kept(request, resources, key, fields, keep, leads_to=f"/shop{said}#orders")


@router.post("/shop/{kind}/{name}/delete")
def post_deletion(
    kind: Literal["site", "crew"],
    name: PathName,
    request: Request,
    resources: R,
    key: ShopEditor,
    fields: Fields,
) -> Response:
    """Delete a site or crew that nothing uses, once somebody confirmed it."""
    if not is_sure(fields):
        return ask_first(request, key, "shop.delete", "shop.delete_sure", back="/shop", name=name)
    delete = {"site": delete_site, "crew": delete_crew}[kind]
    return _kept(request, resources, key, fields, lambda _, resources, key: delete(name, resources, key))


def _site(fields: Fields, resources: R, key: Key) -> None:
    post_site(
        NewSite(site=trimmed_field(fields, "site"), display_name=trimmed_field(fields, "site_name")),
        resources,
        key,
    )


def _crew(fields: Fields, resources: R, key: Key) -> None:
    post_crew(
        NewCrew(crew=trimmed_field(fields, "crew"), display_name=trimmed_field(fields, "crew_name")),
        resources,
        key,
    )


def _part(fields: Fields, resources: R, key: Key) -> None:
    reader = FormReader()

    def whole(written: Any, name: str) -> int | None:
        return reader.read(lambda: whole_number(written, name))

    stock = [
        StockLine(site=str(site), pieces=whole(pieces, "pieces") or 0)
        for site, pieces in zip(fields.getlist("stock_site"), fields.getlist("pieces"), strict=False)
        if site and str(pieces).strip()
    ]
    days = whole(trimmed_field(fields, "lead_time_days"), "lead_time_days")
    body = reader.body(
        lambda: NewPart(
            part=trimmed_field(fields, "part"),
            description=trimmed_field(fields, "description") or None,
            lead_time_days=days,
            stock=stock,
        )
    )
    post_part(body, resources, key)


def _kept(
    request: Request, resources: R, key: Key, fields: Fields, keep: Any, *, leads_to: str = "/shop"
) -> Response:
    """Back to the page; where something is wrong, the page says so and keeps what was entered."""
    try:
        keep(fields, resources, key)
    except FIELD_FAULTS as wrong:
        page = Page.whole(PAGE)
        return _shop_page(request, resources, key, page, faults=field_faults(wrong), kept=fields_of(fields))
    return see_other(leads_to)


def may_take_back(key: Key) -> bool:
    """True for who may take spreadsheets in and back: they reach beyond any site."""
    return allows(key, "shop:write") and not key.sites


def whole_number(written: Any, name: str) -> int | None:
    """A whole number; None for an empty field. Raises Refused (422)."""
    text = str(written).strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Refused("not_a_whole_number", status=422, code="not_valid", name=name, text=text[:40])
    return int(text)


def written(value: Any) -> str:
    """A value as a field shows it, so that it is read back as it is."""
    text = str(int(value) if isinstance(value, float) and value.is_integer() else value)
    return f"{text}0" if isinstance(value, float) and GROUPED.fullmatch(text) else text


def fields_of(fields: Fields) -> dict[str, str]:
    return {name: value for name, value in fields.multi_items() if isinstance(value, str)}


def _shop_page(
    request: Request,
    resources: R,
    key: Key,
    page: Page,
    *,
    faults: Sequence[FieldFault] = (),
    kept: dict[str, str] | None = None,
    booked: Mapping[str, Any] | None = None,
) -> Response:
    machines, cursor = list_machines(resources, key, page)
    shop, ordered = get_shop(resources, key), get_part_orders(resources, key)
    return render(
        request,
        "shop.html",
        key=key,
        status=422 if faults else 200,
        shop=shop,
        sheets=list_sheets(resources, key, Page.whole(SHEETS))[0] if may_take_back(key) else [],
        names=names_of(shop),
        orders=ordered["orders"],
        closed=ordered["closed"],
        new_id=str(uuid.uuid4()),
        booked=booked,
        whole=WrittenDays(sayer_of(request, key).formats).of,
        machines=machines,
        next_page=cursor and not faults and address_with(request, cursor=cursor),
        faults=faults,
        kept=kept or {},
        stock_lines=STOCK_LINES,
        may_add=may_add(key),
        limit_units=units_to_choose("restriction"),
    )


def names_of(shop: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """site and crew -> code -> what people call it."""
    return {
        kind: {group[kind]: group["display_name"] or group[kind] for group in shop[f"{kind}s"]}
        for kind in ("site", "crew")
    }


# ---------------------------------------------------------------- spreadsheets


@router.get("/shop/machines.csv")
def get_machine_file(resources: R, key: ShopViewer, separator: Separator = "comma") -> Response:
    """Machines to take away, as `GET /v1/machines.csv`."""
    return get_machine_sheet(resources, key, separator)


@router.get("/shop/parts.csv")
def get_part_file(resources: R, key: ShopViewer, separator: Separator = "comma") -> Response:
    """Parts and stock to take away, as `GET /v1/parts.csv`."""
    return get_part_sheet(resources, key, separator)


@router.post("/shop/import")
async def post_import(request: Request, resources: R, key: ShopEditor, fields: Fields) -> Response:
    """Preview a spreadsheet; with `take`, take it as it was previewed."""
    what = str(fields.get("what", ""))
    file = fields.get("file")
    content = await file.read() if isinstance(file, UploadFile) else str(fields.get("text", "")).encode()
    await fields.close()  # the file
    if what not in IMPORTS:
        raise Refused("sheet_unknown", status=422, code="not_valid", what=what[:40])
    given = Given(
        what,
        content,
        take=bool(fields.get("take")),
        new_ones=frozenset(str(one) for one in fields.getlist("new_ones")),
    )
    return await run_in_threadpool(_import, request, resources, key, given)


class Given(NamedTuple):
    """A spreadsheet as a person brought it."""

    what: str
    content: bytes
    #: take it, else preview it
    take: bool
    #: what is not there yet and shall be made: sites and crews as kind/code, others as `near_name_ticked`
    new_ones: frozenset[str]


def _import(request: Request, resources: R, key: Key, given: Given) -> Response:
    bring = IMPORTS[given.what]
    plan = bring(resources, key, given.content, preview=True)
    new_ones = [f"site/{site}" for site in plan["new_sites"]] + [f"crew/{crew}" for crew in plan["new_crews"]]
    near_names = [near for near in plan["near_names"] if near["noun"] not in GROUPS]
    new_ones += map(near_name_ticked, near_names)
    is_asked = not given.new_ones.issuperset(new_ones)
    if given.take and not plan["faults"] and not is_asked:
        because = sayer_of(request, key).plain("shop.make_it") if plan["near_names"] else ""
        done = bring(resources, key, given.content, preview=False, confirmed_because=because)
        sheet = done["sheet"]
        return see_other("/shop#spreadsheets" if sheet is None else f"/shop/spreadsheets/{sheet}")
    return render(
        request,
        "shop_import.html",
        key=key,
        status=422 if plan["faults"] or (given.take and is_asked) else 200,
        plan=plan,
        near_names=[(near, near_name_ticked(near)) for near in near_names],
        decimals_of=decimals_of,
        faults=list(_alike(plan["faults"])),
        what=given.what,
        text="" if plan["faults"] else given.content.decode("utf-8-sig"),
        was_asked=given.take and is_asked,
        ticked=given.new_ones,
    )


def near_name_ticked(near: Mapping[str, Any]) -> str:
    """What the form says of a new name that a person ticked."""
    return "/".join(filter(None, (near["noun"], near["machine"], near["name"])))


@router.get("/shop/spreadsheets/{sheet}")
def get_spreadsheet_page(sheet: SheetNumber, request: Request, resources: R, key: ShopEditor) -> Response:
    """What a spreadsheet changed, and what taking it back would do."""
    undoing = post_sheet_taken_back(sheet, TakeBack(preview=True), resources, key)
    return render(request, "shop_spreadsheet.html", key=key, known=undoing)


@router.post("/shop/spreadsheets/{sheet}/taken-back")
def post_spreadsheet_taken_back(
    sheet: SheetNumber, request: Request, resources: R, key: ShopEditor, fields: Fields
) -> Response:
    """Take a spreadsheet back, once somebody confirmed it."""
    back = f"/shop/spreadsheets/{sheet}"
    if not is_sure(fields):
        return ask_first(request, key, "shop.sheet_back", "shop.sheet_back_sure", back=back, number=sheet)
    post_sheet_taken_back(sheet, TakeBack(preview=False), resources, key)
    return see_other(back)


def _alike(faults: Sequence[Mapping[str, Any]]) -> Iterator[tuple[Mapping[str, Any], int]]:
    """Faults of one kind in one column as one, the first, with how many there are."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for fault in faults:
        groups.setdefault(f"{fault['column']} {fault['code']} {fault['values']}", []).append(fault)
    return ((alike[0], len(alike)) for alike in groups.values())


# ---------------------------------------------------------------- the papers of a machine


@router.get("/machines/{machine}/papers")
def get_papers_page(
    request: Request,
    resources: R,
    key: ShopViewer,
    machine: PathName,
    kept: Annotated[Literal["yes"] | None, Query()] = None,
) -> Response:
    """What the shop knows of a machine, to edit. kept : it was just kept."""
    return _papers_page(request, resources, key, machine, was_kept=kept is not None)


@router.post("/machines/{machine}/papers")
def post_papers_form(
    request: Request, resources: R, key: ShopEditor, machine: PathName, fields: Fields
) -> Response:
    """Keep what was entered; an empty field takes its value away."""
    try:
        reader = FormReader()  # all is read before anything is kept
        hours, old, began = (reader.number(fields, name) for name in METER_FIELDS)
        papers = reader.body(lambda: _papers_of(fields, reader))
        if hours is not None:
            reading = NewMeterReading(
                at=instant_text(resources.clock()),
                meter_hours=hours,
                offset_hours=None,
                old_meter_hours=old,
                new_meter_began_hours=began,
                entry_id=trimmed_field(fields, "meter_entry") or None,
            )
            post_meter_reading(machine, reading, request, resources, key)
        patch_papers(machine, papers, resources, key)
    except FIELD_FAULTS as wrong:
        if isinstance(wrong, Refused) and wrong.code == "unknown_machine":
            raise
        kept, found = fields_of(fields), field_faults(wrong)
        faults = [replace(one, field=FIELDS_OF_PAPERS.get(one.field, one.field)) for one in found]
        return _papers_page(request, resources, key, machine, faults=faults, kept=kept)
    return see_other(f"/machines/{machine}/papers?kept=yes")


def _papers_of(fields: Fields, reader: FormReader) -> PapersEdit:
    """The form as the body of the route. Raises ValidationError."""
    laid_up = {
        "from": trimmed_field(fields, "laid_up_from"),
        "until": trimmed_field(fields, "laid_up_until") or None,
    }
    return PapersEdit(
        site=trimmed_field(fields, "site") or None,
        crew=trimmed_field(fields, "crew") or None,
        next_service=NextService(
            service=trimmed_field(fields, "service") or None,
            meter_hours=reader.number(fields, "service_meter_hours"),
            on=trimmed_field(fields, "service_on") or None,
        ),
        laid_up=LaidUp.model_validate(laid_up) if laid_up["from"] else None,
        housings=[_housing_of(fields, str(housing), reader) for housing in fields.getlist("housing")],
    )


def _housing_of(fields: Fields, housing: str, reader: FormReader) -> HousingEdit:
    def text(name: str) -> str | None:
        return trimmed_field(fields, f"{name}/{housing}") or None

    def whole(name: str) -> int | None:
        return reader.read(lambda: whole_number(text(name) or "", name))

    return HousingEdit(
        housing=housing,
        primary_part=text("primary_part"),
        safety_part=text("safety_part"),
        calendar_limit_days=whole("calendar_limit_days"),
        most_cleanings=whole("most_cleanings"),
    )


def _papers_page(
    request: Request,
    resources: R,
    key: Key,
    machine: str,
    *,
    faults: Sequence[FieldFault] = (),
    kept: dict[str, str] | None = None,
    was_kept: bool = False,
) -> Response:
    return render(
        request,
        "papers.html",
        key=key,
        status=422 if faults else 200,
        known=get_machine(machine, resources, key),
        shop=get_shop(resources, key),
        meters=get_meter_readings(machine, request, resources, key),
        written=written,
        meter_entry=f"papers-{resources.clock()}",
        faults=faults,
        kept=kept,
        was_kept=was_kept,
    )
