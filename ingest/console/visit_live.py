"""
The live part of a visit: server-sent events with the parts of the page that changed.

Promises: a stream ends when the server stops, and after a while by itself: the browser comes back, and shows
who it is again. At most so many streams at once; who comes later gets the link that looks again.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import Depends, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, PathName
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.visit_page import Job
from cleanside.ingest.console.visit_seen import parts_of
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store.keys import Key

router = page_router()

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
Parts = dict[str, str]

LOOK_EVERY_S = 2.0  # chosen: a monitor measures once a second, and a person looks on
LONGEST_S = 300.0  # of a stream; chosen: a session that ended is noticed by then
MOST_STREAMS = 200  # of a process; chosen: each looks into the database every two seconds


async def first_parts(
    machine: PathName, request: Request, key: Reader, housing: Name = DEFAULT_HOUSING, job: Job = None
) -> Parts:
    """The parts as they are now: what cannot be seen is refused before the stream begins."""
    if services_of(request).streams.are_full(MOST_STREAMS):
        raise TryAgain("too_many_streams", retry_after_s=30, streams=MOST_STREAMS)
    return await run_in_threadpool(parts_of, request, key, machine, housing, job)


@router.get("/visit/{machine}/live", response_class=EventSourceResponse)
async def get_live(
    machine: PathName,
    request: Request,
    key: Reader,
    parts: Annotated[Parts, Depends(first_parts)],
    housing: Name = DEFAULT_HOUSING,
    job: Job = None,
) -> AsyncIterator[ServerSentEvent]:
    """The parts that changed, each time something did."""
    shown: Parts = {}
    ends_s = asyncio.get_running_loop().time() + LONGEST_S
    with services_of(request).streams.one() as stream:
        while asyncio.get_running_loop().time() < ends_s:
            changed = {name: html for name, html in parts.items() if shown.get(name) != html}
            if changed:
                yield ServerSentEvent(data=changed, event="now")
            shown = parts
            if await stream.ended_within(LOOK_EVERY_S):
                return
            parts = await run_in_threadpool(parts_of, request, key, machine, housing, job)
