"""POST /v1/readings: a batch comes in."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from gateway import wire
from gateway.wire import Answer
from ingest import bodies, intake, senml
from ingest.access import require_device
from ingest.errors import TryAgain
from ingest.incoming import prepare, units_text
from ingest.routes.shared import key_of, problems, resources_of

router = APIRouter(tags=["readings"])

# Larger bodies are decoded beside the event loop, so that others are served meanwhile: 64 KiB take some 2 ms.
DECODE_HERE_BYTES = 64 * 1024
ANSWER_WITHIN_S = 25.0  # then 503: the batch may yet be stored, and a resend is a repeat; chosen below usual
# client and proxy time-outs

#: media type -> decoder; everything after it is the same
DECODERS: Mapping[str, Callable[[bytes], wire.Batch]] = {
    wire.BATCH_MEDIA_TYPE: wire.decode,
    senml.MEDIA_TYPE: senml.decode,
}

_EXAMPLE = {
    "device": "grader-07-intake",
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "units": {"restriction": "kPa", "engine_speed": "r/min"},
    "readings": [
        {"seq": 1, "at": "2026-03-02T06:14:07.250Z", "restriction": 3.05, "engine_speed": 1795},
        {"seq": 2, "at": "2026-03-02T06:14:17.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10},
    ],
}
_EXAMPLE_WITHOUT_NUMBERS = {
    "device": "grader-07-intake",
    "units": {"restriction": "kPa"},
    "readings": [{"at": "2026-03-02T06:14:07Z", "restriction": 3.05}],
}
_SENML_EXAMPLE = [
    {"bn": "grader-07-intake:", "bt": 1772432047, "n": "restriction", "u": "Pa", "v": 3050},
    {"t": 10, "n": "restriction", "u": "Pa", "v": 3100},
]
_ANSWER = {
    "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
    "acknowledged_through": 2,
    "stored": 2,
    "duplicates": 0,
    "gaps": [],
    "quarantined": [],
    "server_time": "2026-03-02T09:00:00Z",
}
_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            wire.BATCH_MEDIA_TYPE: {
                "schema": {"type": "object"},
                "examples": {
                    "numbered": {"summary": "numbered by the sender", "value": _EXAMPLE},
                    "without_numbers": {
                        "summary": "one instant, one reading",
                        "value": _EXAMPLE_WITHOUT_NUMBERS,
                    },
                },
            },
            senml.MEDIA_TYPE: {
                "schema": {"type": "array", "items": {"type": "object"}},
                "examples": {"pack": {"summary": "SenML, RFC 8428", "value": _SENML_EXAMPLE}},
            },
        },
    }
}


@router.post(
    "/v1/readings",
    summary="Post a batch of readings",
    description=(
        "Answered with 200 once every reading of the batch is durably stored, known already, or held in "
        f"quarantine. At most {wire.MAX_BODY_BYTES} bytes as sent (zstd, gzip or plain), "
        f"{wire.MAX_DECODED_BYTES} decoded, {wire.MAX_READINGS} readings, {wire.MAX_SHED_RANGES} shed ranges."
    ),
    openapi_extra=_BODY,
    responses={
        200: {
            "description": "the batch is durable",
            "content": {wire.ANSWER_MEDIA_TYPE: {"schema": {"type": "object"}, "example": _ANSWER}},
        },
        **problems(409, 413, 415, 429),
    },
)
async def post_readings(request: Request) -> Response:
    """Take a batch in: decode, judge, wait for the commit, answer."""
    resources = resources_of(request)
    key = await key_of(request, "readings:post")
    media_type, body = await bodies.read(request, media_types=tuple(DECODERS))
    decode = DECODERS[media_type]
    batch = decode(body) if len(body) <= DECODE_HERE_BYTES else await run_in_threadpool(decode, body)
    require_device(key, batch.device)
    units = units_text(batch)
    unit_set_id = resources.known_unit_set(units)
    if unit_set_id is None:
        unit_set_id = await run_in_threadpool(resources.keep_unit_set, units)
    incoming = prepare(
        batch,
        owner_id=key.owner_id,
        unit_set_id=unit_set_id,
        received_us=resources.clock(),
        sqlite=resources.is_sqlite,
    )

    done = resources.writer.post(intake.receive_all, incoming, order_key=incoming.order_key)
    try:
        answer: Answer = await asyncio.wait_for(done, ANSWER_WITHIN_S)
    except TimeoutError:
        raise TryAgain(
            "the disk did not take it in time; send again later", code="store_unavailable"
        ) from None
    return Response(wire.encode_answer(answer), media_type=wire.ANSWER_MEDIA_TYPE)
