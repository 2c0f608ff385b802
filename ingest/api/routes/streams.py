"""Streams: the mark of each, so that a gateway knows where to continue."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any
from uuid import UUID

import sqlalchemy as sa
from fastapi import Depends, Request, Response
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from cleanside.gateway import wire
from cleanside.ingest.api.routes.described import StreamAnswer, StreamLine, StreamsAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R, Reason, Strict, needs, problems, router_of, shown, text
from cleanside.ingest.errors import NotFound
from cleanside.ingest.intake import again, appended
from cleanside.ingest.owners.access import sees_device
from cleanside.ingest.store import drain, newest, streams
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.marks import Marks, count
from cleanside.ingest.store.second_readings import OF_A_PERSON
from cleanside.ingest.store.streams import Stream
from cleanside.ingest.writer.resources import Resources

router = router_of("streams")

STREAMS_A_PIECE = 500  # streams read at once

_STATE = {
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "device": "grader-07-intake",
    "acknowledged_through": 96,
    "highest": 182,
    "gaps": [[97, 101]],
    "server_time": "2026-03-02T09:00:00Z",
}


@router.get(
    "/v1/streams",
    summary="Streams",
    responses=shown(StreamsAnswer, tagged=True),
    response_class=Response,
)
def get_streams(
    request: Request, resources: R, key: Annotated[Key, Depends(needs("streams:read"))], page: P
) -> Response:
    """Streams that the key may see, in the order they were opened."""
    lines, cursor = list_streams(resources, key, page)
    return page_answer(request, "streams", lines, cursor)


def list_streams(resources: Resources, key: Key, page: Page) -> tuple[list[dict[str, Any]], str | None]:
    """One page of streams, and the cursor of the next."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        streams_seen = _seen(connection, key, after_id)
        shown, cursor = page.cut(streams_seen, lambda stream: (stream.id,))
        lines = [_line(connection, stream, resources.clock()) for stream in shown]
    return lines, cursor


def _seen(connection: sa.Connection, key: Key, after_id: int) -> Iterator[Stream]:
    """The streams that a key may see, read in pieces, because a bound key may see few of many."""
    while piece := streams.list_of(connection, key.owner_id, after_id=after_id, limit=STREAMS_A_PIECE):
        yield from (stream for stream in piece if sees_device(key, stream.device))
        after_id = piece[-1].id


GAPS_OF_LINE = 8  # in the list of streams; one stream's own answer has more; chosen


def _line(connection: sa.Connection, stream: Stream, now_us: int) -> dict[str, Any]:
    marks = streams.marks_of(connection, stream)
    pending = max(0, (stream.appended_through or 0) - stream.highest)
    return {
        "stream": stream.stream,
        "device": stream.device,
        "acknowledged_through": stream.mark,
        "highest": stream.highest,
        "appended_through": stream.appended_through,
        "last_heard_at": text(stream.last_heard_us),
        "newest_at": text(_newest_us(connection, stream)),
        "pending": pending,
        "gap": count(marks.gaps),
        "gaps": [list(gap) for gap in marks.gaps[:GAPS_OF_LINE]],
        "shed": [
            {"first": shed.first, "last": shed.last, "reason": shed.reason}
            for shed in marks.shed
            if shed.reason not in OF_A_PERSON
        ],
        "drains_per_s": drain.readings_per_s(connection, stream, now_us) if pending else None,
        "has_gateway": stream.has_gateway,
        "sends_again": _again(stream),
    }


def _newest_us(connection: sa.Connection, stream: Stream) -> int | None:
    """Noted while a stream goes on in time; else, as after an amendment, its last readings are looked at."""
    return stream.tail_us if stream.tail_is_known else newest.newest_measured_us(connection, stream.id)


@router.get(
    "/v1/streams/{stream}",
    summary="Mark, gaps and highest number of a stream",
    responses={
        200: {"model": StreamAnswer, "content": {wire.ANSWER_MEDIA_TYPE: {"example": _STATE}}},
        **problems(404),
    },
    response_class=Response,
)
async def get_stream(
    stream: str, request: Request, key: Annotated[Key, Depends(needs("streams:read"))]
) -> Response:
    """The state of a stream; 404 `unknown_stream` for one that is unknown or that the key may not see."""
    services = services_of(request)
    stream_row, marks = await run_in_threadpool(_found, services.resources, key, stream)
    await services.confirm()
    state = wire.StreamAtServer(
        stream=stream_row.stream,
        device=stream_row.device,
        acknowledged_through=stream_row.answered_mark,
        highest=marks.highest,
        gaps=marks.gaps,
        server_time_us=services.clock(),
    )
    return Response(wire.encode_stream_state(state), media_type=wire.ANSWER_MEDIA_TYPE)


def _found(resources: Resources, key: Key, name: str) -> tuple[Stream, Marks]:
    """A stream that the key may see. Raises NotFound."""
    with resources.reading() as connection:
        stream = streams.find(connection, key.owner_id, _canonical(name))
        if stream is None or not sees_device(key, stream.device):
            raise NotFound("stream", name[:64])
        return stream, streams.marks_of(connection, stream)


def _again(stream: Stream) -> dict[str, Any] | None:
    """What a gateway is asked to send again; None: nothing, or it is done."""
    if stream.again_mark is None:
        return None
    return {"next": stream.again_mark + 1, "last": stream.again_through}


class ResendBody(Strict):
    """What a gateway is to send again."""

    first: int = Field(ge=1, le=2**53, description="it sends this number and all after it")
    reason: Reason


@router.post(
    "/v1/streams/{stream}/resends",
    summary="Ask a gateway to send again from a number on",
    description=(
        "Delivered with the next answer that the gateway gets: it names a lower mark, from which the gateway "
        "sends again. What is here already comes as a duplicate; what the gateway holds no more it declares "
        "shed. Readings taken meanwhile wait behind, because a gateway sends in order. 409 "
        "`resend_without_gateway` where a program posts by itself: it asks for no mark."
    ),
    response_model=StreamLine,
    responses=problems(404, 409),
)
@example({"first": 1, "reason": "the disk of the shop was swapped"})
def post_resend(
    stream: str, body: ResendBody, resources: R, key: Annotated[Key, Depends(needs("streams:write"))]
) -> dict[str, Any]:
    """Ask for a number and all after it up to the mark; asked again, it begins there."""

    def save(connection: sa.Connection) -> dict[str, Any]:
        name, now_us = _canonical(stream), resources.clock()
        asked = again.ask(connection, key.owner_id, key.handle, name, body.first, body.reason, now_us)
        return _line(connection, asked, now_us)

    return resources.writer.call(save)


@router.delete(
    "/v1/streams/{stream}/resends",
    summary="Ask a gateway no longer to send again",
    response_model=StreamLine,
    responses=problems(404),
)
def delete_resend(
    stream: str, resources: R, key: Annotated[Key, Depends(needs("streams:write"))]
) -> dict[str, Any]:
    """The next answer has the true mark again; what came until then stays."""

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        asked = again.take_back(connection, key.owner_id, key.handle, _canonical(stream), now_us)
        return _line(connection, asked, now_us)

    return resources.writer.call(save)


class LowerBody(Strict):
    """The correction of a gateway's false report."""

    appended_through: int = Field(ge=0, le=2**53, description="the highest number seen, or more")
    reason: Reason


@router.post(
    "/v1/streams/{stream}/appended-through",
    summary="Lower what a gateway falsely said it has appended",
    description=(
        "The server itself only raises it, because reports arrive out of order. A false one leaves numbers "
        "pending until a person lowers it; the audit log says who, why, and what stood before."
    ),
    response_model=StreamLine,
    responses=problems(404),
)
@example({"appended_through": 50, "reason": "reported by mistake"})
def post_appended_through(
    stream: str, body: LowerBody, resources: R, key: Annotated[Key, Depends(needs("streams:write"))]
) -> dict[str, Any]:
    """Set `appended_through` to a lower number."""

    def save(connection: sa.Connection) -> dict[str, Any]:
        name, now_us = _canonical(stream), resources.clock()
        appended.lower(connection, key.owner_id, key.handle, name, body.appended_through, body.reason, now_us)
        after = streams.find(connection, key.owner_id, name)
        assert after is not None
        return _line(connection, after, now_us)

    return resources.writer.call(save)


def _canonical(stream: str) -> str:
    try:
        return str(UUID(stream)) if len(stream) == 36 else ""
    except ValueError:
        return ""
