"""
Webhooks: where events are sent, what waits, what was given up; made, ended, sent again.

Its JSON twins are the routes of `/v1/webhooks`. A secret is shown once.
"""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends, Path, Request, Response

from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.webhooks import (
    EVENT_TYPES,
    NewReplay,
    NewWebhook,
    delete_webhook,
    list_deliveries,
    list_webhooks,
    post_webhook,
    post_webhook_replay,
    post_webhook_trial,
)
from cleanside.ingest.console.forms import FAULTS, FormFault, fault_of, is_sure, read_form, trimmed_field
from cleanside.ingest.console.rendering import address_with, ask_first, render
from cleanside.ingest.console.routing import Fields, page_needs, page_router, see_other
from cleanside.ingest.store.keys import Key

router = page_router()

Admin = Annotated[Key, Depends(page_needs("webhooks:manage"))]
Replayer = Annotated[Key, Depends(page_needs("webhooks:replay"))]
WebhookNumber = Annotated[int, Path(ge=1, le=2**53)]
WEBHOOKS = "/webhooks"
GIVEN_UP = 20  # deliveries of a webhook that are shown; chosen: the reason is the same for most


@router.get(WEBHOOKS)
def get_webhooks_page(
    request: Request, resources: R, key: Admin, page: Annotated[Page, Depends(paged())]
) -> Response:
    """Every webhook, oldest first, with what it waits for, and the form that makes one."""
    return _page(request, resources, key, page)


def _page(
    request: Request,
    resources: R,
    key: Key,
    page: Page,
    *,
    made: dict[str, Any] | None = None,
    fault: FormFault | None = None,
) -> Response:
    """made : the webhook whose secret is shown, this once."""
    webhooks, cursor = list_webhooks(resources, key, page)
    return render(
        request,
        "webhooks.html",
        key=key,
        status=200 if fault is None else fault.status,
        webhooks=[(one, _given_up(resources, key, one)) for one in webhooks],
        next_page=cursor and address_with(request, cursor=cursor),
        types=EVENT_TYPES,
        made=made,
        fault=fault,
    )


def _given_up(resources: R, key: Key, webhook: dict[str, Any]) -> list[dict[str, Any]]:
    if not webhook["dead"]:
        return []
    return list_deliveries(resources, key, Page.whole(GIVEN_UP), webhook["webhook"], "dead")[0]


@router.post(WEBHOOKS)
def post_webhook_page(request: Request, resources: R, key: Admin, fields: Fields) -> Response:
    """Register a webhook. The answer is the page itself: the secret is shown this once."""
    values = {
        "url": trimmed_field(fields, "url"),
        "types": [str(kind) for kind in fields.getlist("types")],
        "note": trimmed_field(fields, "note"),
    }
    try:
        made = post_webhook(read_form(NewWebhook, values), resources, key)
    except FAULTS as error:
        return _page(request, resources, key, Page.whole(), fault=fault_of(error))
    return _page(request, resources, key, Page.whole(), made=made)


@router.post("/webhooks/{webhook}/end")
def post_end_page(
    webhook: WebhookNumber, request: Request, resources: R, key: Admin, fields: Fields
) -> Response:
    """End a webhook, once somebody confirmed it."""
    if not is_sure(fields):
        return ask_first(request, key, "webhooks.end", "webhooks.end_which", back=WEBHOOKS, number=webhook)
    delete_webhook(webhook, resources, key)
    return see_other(WEBHOOKS)


@router.post("/webhooks/{webhook}/replay")
def post_replay_page(webhook: WebhookNumber, resources: R, key: Replayer) -> Response:
    """Send again what was given up."""
    post_webhook_replay(webhook, NewReplay(from_event=None), resources, key)
    return see_other(f"{WEBHOOKS}#webhook-{webhook}")


@router.post("/webhooks/{webhook}/trial")
def post_trial_page(webhook: WebhookNumber, request: Request, resources: R, key: Admin) -> Response:
    """Send a trial event now; the page says what came back."""
    try:
        post_webhook_trial(webhook, resources, key)
    except FAULTS as error:
        return _page(request, resources, key, Page.whole(), fault=fault_of(error))
    return see_other(f"{WEBHOOKS}#webhook-{webhook}")
