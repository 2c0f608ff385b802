"""POST /v1/streams/marks: a gateway asks for the marks of all its streams in one request."""

from __future__ import annotations

from typing import Annotated, Any
from uuid import UUID

import sqlalchemy as sa
from fastapi import Depends
from pydantic import AfterValidator, Field

from cleanside.gateway.wire import MAX_INTEGER, MAX_STREAMS_ASKED, instant_text
from cleanside.ingest.api.routes.described import MarksAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.shared import Name, R, Strict, needs, router_of
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.store import reported
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.reported import ReportedCounts

router = router_of("streams")


def _uuid(text: str) -> str:
    try:
        return str(UUID(text)) if len(text) == 36 else _no_uuid(text)
    except ValueError:
        return _no_uuid(text)


def _no_uuid(text: str) -> str:
    raise ValueError(
        f'"{text}" is not a UUID; give a stream as GET /v1/streams lists it, or as its batches have it'
    )


StreamName = Annotated[
    str, Field(max_length=64, examples=["019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"]), AfterValidator(_uuid)
]


class StreamQuestion(Strict):
    """One stream of a gateway."""

    stream: StreamName
    acknowledged_through: int = Field(ge=0, le=MAX_INTEGER, description="as this server said last")
    appended_through: int = Field(ge=0, le=MAX_INTEGER, description="the highest number given so far")


class MarksQuestion(Strict):
    """The streams of a gateway, and its last state of each."""

    device: Name
    streams: list[StreamQuestion] = Field(min_length=1, max_length=MAX_STREAMS_ASKED)


@router.post(
    "/v1/streams/marks",
    summary="Ask for the marks of all streams that a gateway holds",
    description=(
        f"One request for at most {MAX_STREAMS_ASKED} streams of a device. A gateway asks at start and at "
        "intervals; where a mark is lower than it knows, it sends again from there. What it says that it "
        "holds, and this server has lost, stands in the account until it came."
    ),
    response_model=MarksAnswer,
)
@example(
    {
        "device": "{device}",
        "streams": [{"stream": "{stream}", "acknowledged_through": 0, "appended_through": 0}],
    }
)
def post_marks(
    body: MarksQuestion, resources: R, key: Annotated[Key, Depends(needs("readings:post"))]
) -> dict[str, Any]:
    """The marks of known streams, and the names of unknown ones."""
    require_device(key, body.device)
    reports = {
        asked.stream: ReportedCounts(asked.stream, asked.acknowledged_through, asked.appended_through)
        for asked in body.streams
    }
    with resources.reading() as connection:
        streams_found = reported.found(connection, key.owner_id, body.device, list(reports))
        lost = reported.lost_marks_of(connection, [stream.id for stream in streams_found.values()])
    more = [
        report
        for report in reports.values()
        if reported.says_more(
            report,
            stream := streams_found.get(report.stream),
            None if stream is None else lost.get(stream.id),
        )
    ]
    if more:

        def keep(connection: sa.Connection) -> None:
            reported.keep(connection, key.owner_id, body.device, more, resources.clock())

        resources.writer.call(keep)
    resources.confirm()
    return {
        "streams": [
            {"stream": s.stream, "acknowledged_through": s.answered_mark, "highest": s.highest}
            for s in sorted(streams_found.values(), key=lambda entry: entry.stream)
        ],
        "unknown": sorted(reports.keys() - streams_found.keys()),
        "server_time": instant_text(resources.clock()),
    }
