"""
The audit log: who did what, when. Nothing in it can be changed.

Its JSON twin is `GET /v1/audit` with the same filters.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import groupby
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.audit import list_audit
from cleanside.ingest.api.routes.paging import Page, paged
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.console.audit_words import values_of
from cleanside.ingest.console.rendering import address_with, render, sayer_of
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.viewer import viewer_of
from cleanside.ingest.store.audit import SENTENCES
from cleanside.ingest.store.keys import Key

router = page_router()

MOST_WHO = 64
MICRO = 1_000_000
FEWEST = 3  # entries of one act that are one line which opens; chosen


@router.get("/audit")
def get_audit_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("audit:read"))],
    page: Annotated[Page, Depends(paged())],
    who: Annotated[str, Query(max_length=MOST_WHO)] = "",
    what: Annotated[str, Query(max_length=MOST_WHO)] = "",
    machine: Annotated[str, Query(max_length=MOST_WHO)] = "",
    day: Annotated[str, Query(max_length=10)] = "",
) -> Response:
    """Entries, newest first. who, what, machine, day : "" = any; a day is one of the viewer's zone."""
    say = sayer_of(request, key)
    entries, cursor = list_audit(
        resources,
        key,
        page,
        who=who.strip() or None,
        what=what or None,
        machine=machine.strip() or None,
        span_us=_span_us(day, viewer_of(request, key).zone),
    )
    return render(
        request,
        "audit.html",
        key=key,
        acts=[[(entry, values_of(say, entry)) for entry in act] for act in acts_of(entries)],
        machine=machine,
        day=day,
        kinds=list(SENTENCES),
        known_kinds=SENTENCES,
        who=who,
        what=what,
        is_first=page.is_first,
        next_page=cursor and address_with(request, cursor=cursor),
    )


def _span_us(day: str, zone: tzinfo) -> tuple[int | None, int | None]:
    """From and until when a day lasts in a zone [us]; what is no day: any time."""
    try:
        start = datetime.combine(date.fromisoformat(day), time(), zone)
        end = datetime.combine(start.date() + timedelta(days=1), time(), zone)
    except (ValueError, OverflowError):  # the calendar ends with the year 9999
        return None, None
    return int(start.timestamp()) * MICRO, int(end.timestamp()) * MICRO


def acts_of(entries: Sequence[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """
    Entries in the order given, those of one act together: a plan writes one for each of its days. Pure.

    An act is what one person did at one instant in one kind; fewer than `FEWEST` entries stay apart.
    """
    found: list[list[dict[str, Any]]] = []
    for _, group in groupby(entries, key=lambda entry: (entry["at"], entry["who"], entry["what"])):
        act = list(group)
        found += [act] if len(act) >= FEWEST else [[entry] for entry in act]
    return found
