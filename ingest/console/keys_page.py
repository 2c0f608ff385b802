"""
Keys of programs: made, listed, replaced, revoked. A key is shown once.

Its JSON twins are the routes of `/v1/keys`, whose rules hold here too.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.keys import (
    NewKeyRequest,
    NewRotation,
    delete_key,
    list_keys,
    post_key,
    post_key_rotation,
)
from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.shared import Name, PathName, R
from cleanside.ingest.console.forms import (
    FAULTS,
    FormFault,
    fault_of,
    is_sure,
    names_of_field,
    read_form,
    text_of_field,
    trimmed_field,
)
from cleanside.ingest.console.monitors_page import every_monitor
from cleanside.ingest.console.rendering import address_with, ask_first, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.owners.access import ROLES
from cleanside.ingest.owners.key_life import OVERLAP_HOURS
from cleanside.ingest.store.keys import REVOKED, Key

router = page_router()

Admin = Annotated[Key, Depends(page_needs("keys:manage"))]
PageOfKeys = Annotated[Page, Depends(paged())]
KEYS = "/keys"


@router.get(KEYS)
def get_keys_page(
    request: Request,
    resources: R,
    key: Admin,
    page: PageOfKeys,
    revoked: Annotated[Name | None, Query()] = None,
) -> Response:
    """Every key, oldest first, and the form that makes one. revoked : it was, just now."""
    return _page(request, resources, key, page, revoked=revoked)


def _page(
    request: Request,
    resources: R,
    key: Key,
    page: Page,
    *,
    made: dict[str, Any] | None = None,
    fault: FormFault | None = None,
    revoked: str | None = None,
) -> Response:
    """made : the key that is shown, this once."""
    keys, cursor = list_keys(resources, key, page)
    return render(
        request,
        "keys.html",
        key=key,
        status=200 if fault is None else fault.status,
        keys=keys,
        next_page=cursor and address_with(request, cursor=cursor),
        roles=ROLES,
        made=made,
        fault=fault,
        **_after(resources, key, revoked),
        overlap_days=OVERLAP_HOURS // 24,
    )


def _after(resources: R, key: Key, handle: str | None) -> dict[str, Any]:
    """A key that was just revoked, and the monitors that have no valid one. handle : None, none was."""
    if handle is None:
        return {"revoked": None}
    every, _ = list_keys(resources, key, Page.whole())
    revoked = next((one for one in every if one["handle"] == handle and one["state"] == REVOKED), None)
    monitors = [one for one in every_monitor(resources, key) if one["key_ended"]]
    return {"revoked": revoked, "without_key": monitors}


@router.post(KEYS)
def post_keys_page(request: Request, resources: R, key: Admin, page: PageOfKeys, fields: Fields) -> Response:
    """Make a key. The answer is the page itself: the key is shown this once."""
    values = {
        "role": text_of_field(fields, "role"),
        "devices": names_of_field(fields, "devices"),
        "note": trimmed_field(fields, "note"),
        "expires_at": _start_of(request, key, text_of_field(fields, "expires")),
    }
    try:
        made = post_key(read_form(NewKeyRequest, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return _page(request, resources, key, page, made=made)


def _start_of(request: Request, key: Key, day: str) -> str | None:
    """The start of a day in the viewer's zone; None: no day; what is no day stays as it was typed."""
    if not day:
        return None
    try:
        start = datetime.combine(date.fromisoformat(day), time(), viewer_of(request, key).zone)
        return start.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    except (ValueError, OverflowError):
        return day


@router.post("/keys/{handle}/rotate")
def post_rotate_page(
    handle: PathName, request: Request, resources: R, key: Admin, page: PageOfKeys
) -> Response:
    """Make the successor of a key; it is shown this once."""
    try:
        made = post_key_rotation(handle, NewRotation.model_validate({}), request, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return _page(request, resources, key, page, made=made)


@router.post("/keys/{handle}/revoke")
def post_revoke_key_page(
    handle: PathName, request: Request, resources: R, key: Admin, page: PageOfKeys, fields: Fields
) -> Response:
    """End a key for ever, once somebody confirmed it."""
    if not is_sure(fields):
        return ask_first(request, key, "keys.revoke", "keys.revoke_which", back=KEYS, handle=handle)
    try:
        delete_key(handle, request, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, page, fault=fault_of(error))
    return see_other(f"{KEYS}?{urlencode({'revoked': handle})}")
