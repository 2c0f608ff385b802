"""
The live part of a visit: server-sent events with the parts of the page that changed.

Promises: a stream ends when the server stops, and after a while by itself: the browser comes back, and shows
who it is again. At most so many streams at once, and so many of one person, counted before the first look;
who comes later gets the link that looks again.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import Depends, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING
from cleanside.ingest.api.routes.open_streams import OpenStream
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, PathName
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.visit_page import Job
from cleanside.ingest.console.visit_seen import State, look_again
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store.keys import Key

router = page_router()

Reader = Annotated[Key, Depends(page_needs("fleet:read"))]
Parts = dict[str, str]
Look = tuple[State, Parts | None]

LOOK_AGAIN_S = 2.0  # chosen: a monitor measures once a second, and a person looks on
REST_FOR_WORK = 10  # a look that takes long comes seldom: one page takes a tenth of a core at most (chosen)
LONGEST_S = 300.0  # of a stream; chosen: a session that ended is noticed by then
MOST_STREAMS = 200  # of a process; chosen: each looks into the database every two seconds
MOST_OF_ONE = 6  # of a person; chosen: as many as a browser opens to one server (common practice)
_RETRY_AFTER_S = 30


async def counted(request: Request, key: Reader) -> AsyncIterator[OpenStream]:
    """The stream of a request, counted until it is answered. Raises TryAgain where there are too many."""
    streams = services_of(request).streams
    if streams.are_full(MOST_STREAMS):
        raise TryAgain("too_many_streams", retry_after_s=_RETRY_AFTER_S, streams=MOST_STREAMS)
    if streams.of(key.id) >= MOST_OF_ONE:
        raise TryAgain("too_many_streams_of_one", retry_after_s=_RETRY_AFTER_S, streams=MOST_OF_ONE)
    with streams.one(key.id) as stream:
        yield stream


Counted = Annotated[OpenStream, Depends(counted)]


async def first_look(
    machine: PathName,
    request: Request,
    key: Reader,
    _: Counted,
    housing: Name = DEFAULT_HOUSING,
    job: Job = None,
) -> Look:
    """How it is now: what cannot be seen is refused before the stream begins."""
    return await run_in_threadpool(look_again, request, key, machine, housing, job, None)


@router.get("/visit/{machine}/live", response_class=EventSourceResponse)
async def get_live(
    machine: PathName,
    request: Request,
    key: Reader,
    stream: Counted,
    first: Annotated[Look, Depends(first_look)],
    housing: Name = DEFAULT_HOUSING,
    job: Job = None,
) -> AsyncIterator[ServerSentEvent]:
    """The parts that changed, each time something did; `end` where it ends though the link is there."""
    time_s = asyncio.get_running_loop().time
    (state, parts), shown, ends_s, took_s = first, Parts(), time_s() + LONGEST_S, 0.0
    while time_s() < ends_s:
        if parts is not None:
            yield ServerSentEvent(data=_changed(shown, parts), event="now")
            shown = parts
        if await stream.ended_within(max(LOOK_AGAIN_S, REST_FOR_WORK * took_s)):
            return
        began_s = time_s()
        state, parts = await run_in_threadpool(look_again, request, key, machine, housing, job, state)
        took_s = time_s() - began_s
    yield ServerSentEvent(data={}, event="end")


def _changed(shown: Parts, parts: Parts) -> Parts:
    return {name: html for name, html in parts.items() if shown.get(name) != html}
