"""GET /v1/streams/{stream}: what the server holds of a stream, so that a gateway knows where to go on."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Depends, Response

from gateway import wire
from ingest.access import sees_device
from ingest.errors import NotFound
from ingest.routes.described import StreamAnswer
from ingest.routes.shared import R, needs, problems
from ingest.store import streams
from ingest.store.keys import Key

router = APIRouter(tags=["streams"])

_STATE = {
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "device": "grader-07-intake",
    "acknowledged_through": 96,
    "highest": 182,
    "gaps": [[97, 101]],
    "server_time": "2026-03-02T09:00:00Z",
}


@router.get(
    "/v1/streams/{stream}",
    summary="Mark, gaps and highest number of a stream",
    responses={
        200: {"model": StreamAnswer, "content": {wire.ANSWER_MEDIA_TYPE: {"example": _STATE}}},
        **problems(404),
    },
    response_class=Response,
)
def get_stream(stream: str, resources: R, key: Annotated[Key, Depends(needs("streams:read"))]) -> Response:
    """What is held of a stream; 404 `unknown_stream` for one that is unknown or not the key's to see."""
    with resources.reading() as connection:
        found = streams.find(connection, key.owner_id, _canonical(stream))
        if found is None or not sees_device(key, found.device):
            raise NotFound("stream", stream[:64])
        marks = streams.marks_of(connection, found)
    state = wire.StreamState(
        stream=found.stream,
        device=found.device,
        acknowledged_through=marks.mark,
        highest=marks.highest,
        gaps=marks.gaps,
        server_time_us=resources.clock(),
    )
    return Response(wire.encode_stream_state(state), media_type=wire.ANSWER_MEDIA_TYPE)


def _canonical(stream: str) -> str:
    try:
        return str(UUID(stream)) if len(stream) == 36 else ""
    except ValueError:
        return ""
