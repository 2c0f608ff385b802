"""POST /v1/streams/marks: who sends asks for the marks of all its streams in one request."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future
from functools import partial
from typing import Annotated, Any
from uuid import UUID

from fastapi import Depends, Request
from pydantic import AfterValidator, Field

from cleanside.gateway.wire import MAX_INTEGER, MAX_STREAMS_ASKED, instant_text
from cleanside.ingest.api.routes.described import MarksAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, Strict, needs, router_of
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.store import reported
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.reported import KnownStreams, ReportedCounts, StreamsHeld
from cleanside.ingest.writer.resources import Resources

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
    """One stream of a gateway, or of a program that posts by itself."""

    stream: StreamName
    acknowledged_through: int = Field(ge=0, le=MAX_INTEGER, description="as this server said last")
    appended_through: int = Field(ge=0, le=MAX_INTEGER, description="the highest number given so far")


class MarksQuestion(Strict):
    """The streams of who sends, and its last state of each."""

    device: Name
    streams: list[StreamQuestion] = Field(min_length=1, max_length=MAX_STREAMS_ASKED)


@router.post(
    "/v1/streams/marks",
    summary="Ask for the marks of all streams that you send",
    description=(
        f"One request for at most {MAX_STREAMS_ASKED} streams of a device, for a gateway and for a client of "
        "your own alike. Ask at start and whenever an answer brings a new `Database-Id`: the server was "
        "restored. Where a mark is lower than you know, or the stream is unknown, send again from there. "
        "What you say was acknowledged, and this server has lost, stands in the account until it came. "
        "`appended_through` is the highest number you gave: what is above the highest seen counts as pending."
    ),
    response_model=MarksAnswer,
)
@example(
    {
        "device": "{device}",
        "streams": [{"stream": "{stream}", "acknowledged_through": 0, "appended_through": 0}],
    }
)
async def post_marks(
    body: MarksQuestion, request: Request, key: Annotated[Key, Depends(needs("readings:post"))]
) -> dict[str, Any]:
    """The marks of known streams, and the names of unknown ones."""
    require_device(key, body.device)
    services = services_of(request)
    reports = {
        asked.stream: ReportedCounts(asked.stream, asked.acknowledged_through, asked.appended_through)
        for asked in body.streams
    }
    question = StreamsHeld(key.owner_id, body.device, reports)
    known = await services.marks_asked.ask(partial(_answer_all, services.resources), question)
    return {
        "streams": [
            {"stream": s.stream, "acknowledged_through": s.answered_mark, "highest": s.highest}
            for s in sorted(known.values(), key=lambda entry: entry.stream)
        ],
        "unknown": sorted(reports.keys() - known.keys()),
        "server_time": instant_text(services.clock()),
    }


def _answer_all(resources: Resources, questions: Sequence[StreamsHeld]) -> Sequence[KnownStreams | Exception]:
    """The known streams of each question, once what it says is kept."""
    resources.writer.require_motion()
    with resources.reading() as connection:
        answers = reported.found(connection, questions)
        lost = reported.lost_marks_of(connection, [s.id for known in answers for s in known.values()])
    kept = [
        resources.writer.submit(partial(reported.keep, held=held, reports=more, now_us=resources.clock()))
        if (more := reported.says_more_of(held, known, lost))
        else None
        for held, known in zip(questions, answers, strict=True)
    ]
    outcomes = [_once_kept(resources, known, job) for known, job in zip(answers, kept, strict=True)]
    resources.confirm()
    return outcomes


def _once_kept(
    resources: Resources, known: KnownStreams, job: Future[None] | None
) -> KnownStreams | Exception:
    try:
        if job is not None:
            resources.writer.result(job)
    except Exception as error:  # the others must not answer for it
        return error
    return known
