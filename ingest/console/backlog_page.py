"""
What waits on the machines: who is behind, how far, how fast it drains, what is missing; and bundles.

Its JSON twins are `GET /v1/streams` and `GET /v1/account`; a file is taken in by the function of
`POST /v1/bundles`.
Leaves to others: what becomes of a bundle (`ingest.intake.bundles`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Query, Request, Response
from markupsafe import Markup
from starlette.datastructures import FormData, UploadFile

from cleanside.ingest.analysis.concerns import SILENT, UNSEATED, WITHOUT_KEY, ConcernGroup
from cleanside.ingest.api.routes.account import balances_of, document_of
from cleanside.ingest.api.routes.amendments import MisnumberedBody, take_misnumbered
from cleanside.ingest.api.routes.attention import line_document, look
from cleanside.ingest.api.routes.bundles import take
from cleanside.ingest.api.routes.paging import Page
from cleanside.ingest.api.routes.shared import Name, R
from cleanside.ingest.api.routes.streams import ResendBody, delete_resend, list_streams, post_resend
from cleanside.ingest.console.declared_words import event_said, event_step, shed_said
from cleanside.ingest.console.formats import DASH
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    int_of_field,
    read_form,
    trimmed_field,
)
from cleanside.ingest.console.quarantine_counts import quarantine_counts
from cleanside.ingest.console.quarantine_page import short_of
from cleanside.ingest.console.rendering import render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.owners.access import allows, devices_seen
from cleanside.ingest.store.account import BalanceFault, StreamBalance
from cleanside.ingest.store.keys import Key

router = page_router()

BUNDLES_PATH = "/backlog/bundles"
FORM_BYTES = 65_536  # around the file, of the form that brings it
PIECE_BYTES = 65_536
RANGES_SHOWN = 4  # of the numbers of a fault; chosen: enough to find the rest
#: columns of the account, in the order in which a reading goes
STATES = ("stored", "quarantined", "discarded", "shed", "moved", "gap", "pending", "lost")

#: between the digits of a whole number, in front of three of them
_GROUP_MARKS = re.compile(r"(?<=\d)[,. \u00a0\u202f'](?=\d{3}(?!\d))")

Reader = Annotated[Key, Depends(page_needs("account:read"))]
StreamWriter = Annotated[Key, Depends(page_needs("streams:write"))]
Operator = Annotated[Key, Depends(page_needs("quarantine:write"))]
Importer = Annotated[Key, Depends(page_needs("bundles:import"))]


@router.get("/backlog")
def get_backlog_page(
    request: Request,
    resources: R,
    key: Reader,
    counted: Annotated[bool, Query()] = False,
    device: Annotated[Name | None, Query()] = None,
    blocks: Annotated[int, Query(ge=0)] = 0,
    stored: Annotated[int, Query(ge=0)] = 0,
    duplicates: Annotated[int, Query(ge=0)] = 0,
    quarantined: Annotated[int, Query(ge=0)] = 0,
    not_from: Annotated[int, Query(ge=0)] = 0,
    asked: Annotated[Name | None, Query()] = None,
    stream: Annotated[str, Query(max_length=80)] = "",
    first: Annotated[str, Query(max_length=40)] = "",
    reason: Annotated[str, Query(max_length=400)] = "",
    taken: Annotated[int | None, Query(ge=1)] = None,
    readings: Annotated[int, Query(ge=0)] = 0,
) -> Response:
    """
    Who is behind. counted : with the account, counted from the rows, which takes a while in a large shop.

    device ... not_from : what became of a bundle that was just brought; not_from 0: it was whole. asked : the
    monitor whose gateway was just asked to send again. stream, first, reason : show what would leave the
    numbering; taken, readings : the amendment by which so many just left.
    """
    imported = None
    if device is not None:
        came = {"blocks": blocks, "stored": stored, "duplicates": duplicates, "quarantined": quarantined}
        imported = {"device": device, "not_from": not_from, **came}
    return _page(
        request,
        resources,
        key,
        counted=counted,
        imported=imported,
        asked=asked,
        wish={"stream": stream, "first": first, "reason": reason} if stream else None,
        taken=None if taken is None else {"amendment": taken, "entries": readings},
    )


def _page(
    request: Request,
    resources: R,
    key: Key,
    *,
    counted: bool = False,
    imported: Mapping[str, Any] | None = None,
    asked: str | None = None,
    fault: FormFault | None = None,
    bundle_fault: FormFault | None = None,
    wish: Mapping[str, str] | None = None,
    taken: Mapping[str, int] | None = None,
) -> Response:
    would, misnumbered_fault = _would_leave(resources, key, wish)
    lines, _ = list_streams(resources, key, Page.whole())
    groups = _groups(resources, key)
    return render(
        request,
        "backlog.html",
        key=key,
        status=next((one.status for one in (fault, bundle_fault, misnumbered_fault) if one is not None), 200),
        bundle_fault=bundle_fault,
        behind=[line for line in lines if is_behind(line)],
        streams=len(lines),
        silent=[line for group in groups if group.group == SILENT for line in group.lines],
        unseated=_entries(groups, UNSEATED, resources.clock()),
        without_key=_entries(groups, WITHOUT_KEY, resources.clock()),
        newest=_newest(lines, "newest_at"),
        heard=_newest(lines, "last_heard_at"),
        waiting=sum(line["pending"] for line in lines),
        missing=sum(line["gap"] for line in lines),
        account=account_of(balances_of(resources, key)) if counted else None,
        fault_said=fault_said,
        event_said=event_said,
        event_step=event_step,
        shed_said=shed_said,
        # the account, which counts numbers, has none of these
        same_number=quarantine_counts(groups).same_number if counted else 0,
        imported=imported,
        asked=asked,
        fault=fault,
        sending_again=[line for line in lines if line["sends_again"]],
        askable=[line for line in lines if line["acknowledged_through"] and line["has_gateway"]],
        leaping=[line for line in lines if line["gap"]],
        wish=wish,
        would=would,
        misnumbered_fault=misnumbered_fault,
        taken=taken,
        short_of=short_of,
        by_itself=sorted({line["device"] for line in lines if not line["has_gateway"]}),
    )


@router.post("/backlog/resends")
def post_resend_form(request: Request, resources: R, key: StreamWriter, fields: Fields) -> Response:
    """Ask a gateway to send again from a number on."""
    given = {"first": int_of_field(fields, "first"), "reason": trimmed_field(fields, "reason")}
    try:
        body = read_form(ResendBody, given)
        done = post_resend(trimmed_field(fields, "stream"), body, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, fault=fault_of(error))
    return see_other(f"/backlog?{urlencode({'asked': done['device']})}#again")


@router.post("/backlog/resends/taken-back")
def post_resend_taken_back(resources: R, key: StreamWriter, fields: Fields) -> Response:
    """Ask no longer."""
    delete_resend(trimmed_field(fields, "stream"), resources, key)
    return see_other("/backlog#again")


@router.post("/backlog/misnumbered")
def post_misnumbered_form(request: Request, resources: R, key: Operator, fields: Fields) -> Response:
    """Give up what came from a mistyped number on."""
    wish = {name: trimmed_field(fields, name) for name in ("stream", "first", "reason")}
    try:
        done = take_misnumbered(_misnumbered(wish, preview=False), resources, key)
    except FAULTS:
        return _page(request, resources, key, wish=wish)  # which says what is wrong with it
    counts = {"taken": done["amendment_id"], "readings": done["entries"]}
    return see_other(f"/backlog?{urlencode(counts)}#misnumbered")


def _would_leave(
    resources: R, key: Key, wish: Mapping[str, str] | None
) -> tuple[Mapping[str, Any] | None, FormFault | None]:
    """What would leave the numbering, and what is wrong with the wish."""
    if wish is None or not allows(key, "quarantine:write"):
        return None, None
    try:
        return take_misnumbered(_misnumbered(wish, preview=True), resources, key), None
    except FAULTS as error:
        return None, fault_of(error)


def _misnumbered(wish: Mapping[str, str], *, preview: bool) -> MisnumberedBody:
    # The page prints large numbers in groups of three, and people copy them from there.
    typed = FormData({"first": _GROUP_MARKS.sub("", wish["first"])})
    return read_form(MisnumberedBody, {**wish, "first": int_of_field(typed, "first"), "preview": preview})


@router.post(BUNDLES_PATH)
def post_bundle_file(request: Request, resources: R, key: Importer, fields: Fields) -> Response:
    """Take in the file of a form, and show what became of it."""
    upload = fields.get("bundle")
    try:
        if not isinstance(upload, UploadFile) or not upload.size:
            raise NotValid(Complaint("bundle", "no_file_chosen"))
        done = take(resources, key, lambda: upload.file.read(PIECE_BYTES))
    except FAULTS as error:
        return _page(request, resources, key, bundle_fault=fault_of(error))
    counts = {name: done[name] for name in ("device", "blocks", "stored", "duplicates", "quarantined")}
    not_from = done["not_taken"][0]["block"] if done["not_taken"] else 0
    return see_other(f"/backlog?{urlencode(counts | {'not_from': not_from})}")


def _newest(lines: Sequence[Mapping[str, Any]], member: str) -> dict[str, str]:
    """Device -> the latest of an instant of its streams."""
    found: dict[str, str] = {}
    for line in lines:
        if line[member] is not None:
            found[line["device"]] = max(found.get(line["device"], ""), line[member])
    return found


def _groups(resources: R, key: Key) -> list[ConcernGroup]:
    """What may need a person."""
    with resources.reading() as connection:
        return look(connection, key.owner_id, resources.clock(), devices=devices_seen(key))


def _entries(groups: Sequence[ConcernGroup], name: str, now_us: int) -> list[dict[str, Any]]:
    """The lines of a group, as `GET /v1/attention` has them."""
    return [line_document(line, now_us) for group in groups if group.group == name for line in group.lines]


def is_behind(line: Mapping[str, Any]) -> bool:
    """True where a stream is not complete, as far as is known."""
    return bool(line["pending"] or line["gap"] or line["shed"])


def account_of(balances: Sequence[StreamBalance]) -> dict[str, Any]:
    """Where every number is, of all streams together, and the streams that do not balance."""
    known = document_of(list(balances))
    streams: Sequence[Mapping[str, Any]] = known["streams"]
    return {
        "balances": known["balances"],
        "sums": [(state, sum(stream[state] for stream in streams)) for state in STATES],
        "through": sum(stream["through"] for stream in streams),
        "faulty": [balance for balance in balances if not balance.balances],
        "declared": [line for stream in streams for line in stream["declared"]],
    }


def fault_said(say: Sayer, fault: BalanceFault) -> Markup:
    """What does not balance, in the language of who looks."""
    ranges = [say.formats.number(a) if a == b else f"{a}{DASH}{b}" for a, b in fault.ranges[:RANGES_SHOWN]]
    if len(fault.ranges) > RANGES_SHOWN:
        ranges.append(say.plain("backlog.ranges_more", n=len(fault.ranges) - RANGES_SHOWN))
    states = {
        name: say(f"backlog.states.{fault.values[name]}") for name in ("one", "other") if name in fault.values
    }
    return say(f"backlog.fault.{fault.code}", **{**fault.values, **states, "numbers": ", ".join(ranges)})
