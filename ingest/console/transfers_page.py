"""
Machines that change hands: offered with a one-time code, taken over with one, taken back.

Its JSON twins are the routes of `/v1/transfers`. A code is shown once.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Path, Request, Response
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.paging import Page
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.transfer import (
    Acceptance,
    NewTransfer,
    delete_transfer,
    list_transfers,
    post_transfer,
    take_over,
)
from cleanside.ingest.console.forms import FAULTS, FormFault, fault_of, is_sure, read_form, trimmed_field
from cleanside.ingest.console.machine_names import known_machines, nearest_machines
from cleanside.ingest.console.rendering import ask_first, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.store.keys import Key

router = page_router()

Admin = Annotated[Key, Depends(page_needs("transfers:manage"))]
TRANSFERS = "/transfers"
OFFERS_SHOWN = 100  # offers, newest first; chosen: machines change hands seldom


@router.get(TRANSFERS)
def get_transfers_page(request: Request, resources: R, key: Admin, machine: str = "") -> Response:
    """Offers made and taken, newest first, and both forms. machine : to offer."""
    return _page(request, resources, key, offered=machine[:64])


def _page(
    request: Request,
    resources: R,
    key: Key,
    *,
    offered: str = "",
    made: dict[str, Any] | None = None,
    taken: dict[str, Any] | None = None,
    fault: FormFault | None = None,
) -> Response:
    """made : whose code is shown, this once. taken : the machine that was just taken over."""
    transfers, _ = list_transfers(resources, key, Page.whole(OFFERS_SHOWN))
    known = known_machines(resources, key)
    return render(
        request,
        "transfers.html",
        key=key,
        status=200 if fault is None else fault.status,
        transfers=transfers,
        offered=offered,
        known=known,
        nearest=nearest_machines(offered, known),
        made=made,
        taken=taken,
        fault=fault,
    )


@router.post(TRANSFERS)
def post_offer_page(request: Request, resources: R, key: Admin, fields: Fields) -> Response:
    """Offer a machine. The answer is the page itself: the code is shown this once."""
    values = {"machine": trimmed_field(fields, "machine"), "note": trimmed_field(fields, "note")}
    try:
        made = post_transfer(read_form(NewTransfer, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, offered=values["machine"], fault=fault_of(error))
    return _page(request, resources, key, made=made)


@router.post("/transfers/accept")
async def post_acceptance_page(request: Request, resources: R, key: Admin, fields: Fields) -> Response:
    """Take a machine over by the code of its former owner."""
    name = trimmed_field(fields, "name") or None
    values = {"code": trimmed_field(fields, "code"), "machine": name}
    try:
        taken = await take_over(read_form(Acceptance, values), request, resources, key)
    except FAULTS as error:
        return await run_in_threadpool(_page, request, resources, key, fault=fault_of(error))
    return await run_in_threadpool(_page, request, resources, key, taken=taken)


@router.post("/transfers/{transfer}/take-back")
def post_take_back_page(
    transfer: Annotated[int, Path(ge=1, le=2**53)], request: Request, resources: R, key: Admin, fields: Fields
) -> Response:
    """Take an offer back, once somebody confirmed it."""
    if not is_sure(fields):
        return ask_first(
            request, key, "transfers.back", "transfers.back_which", back=TRANSFERS, number=transfer
        )
    delete_transfer(transfer, resources, key)
    return see_other(TRANSFERS)
