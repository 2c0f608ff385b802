"""POST /v1/readings: receive a batch."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from anyio import to_thread
from fastapi import Request, Response
from fastapi.routing import APIRoute
from starlette.concurrency import run_in_threadpool
from starlette.types import Receive, Scope, Send

from cleanside.gateway import wire
from cleanside.gateway.wire import Answer
from cleanside.ingest.api.routes.batch_schema import ALSO_TAKES, ANSWERS, PARAMETERS, REQUEST_BODY
from cleanside.ingest.api.routes.described import BatchAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.opened_bodies import Body, as_arrived, prepared
from cleanside.ingest.api.routes.services import Services, services_of
from cleanside.ingest.api.routes.shared import asks, key_of, problems, resources_of, router_of
from cleanside.ingest.checking.incoming import Arrived, Incoming, units_text
from cleanside.ingest.intake import bodies, quick_decoder, receive, senml
from cleanside.ingest.intake.head_fields import field
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer import under_way
from cleanside.ingest.writer.writer import Writer

T = TypeVar("T")

router = router_of("readings")

# Larger bodies are decoded beside the event loop, so that others are served meanwhile: these take 2 ms.
DECODE_HERE_BYTES = 128 * 1024
SMALL_BYTES = 2_048  # as sent; a reading with the gateway's report takes less; chosen

#: media type -> decoder; everything after it is the same
DECODERS: Mapping[str, Callable[[bytes], wire.Batch]] = {
    wire.BATCH_MEDIA_TYPE: quick_decoder.decode,
    senml.SENML_MEDIA_TYPE: senml.decode,
}


@router.post(
    "/v1/readings",
    summary="Post a batch of readings",
    description=(
        "Answered with 200 once every reading of the batch is durably stored, known already, or held in "
        f"quarantine. At most {wire.MAX_BODY_BYTES} bytes as sent (zstd, gzip or plain), "
        f"{wire.MAX_DECODED_BYTES} decoded, {wire.MAX_READINGS} readings, {wire.MAX_SHED_RANGES} shed "
        "ranges. It takes SenML (RFC 8428) too, as application/senml+json: see `x-also-takes`."
    ),
    openapi_extra={"requestBody": REQUEST_BODY, "parameters": PARAMETERS, "x-also-takes": ALSO_TAKES},
    responses={
        200: {
            "description": "the batch is durable",
            "model": BatchAnswer,
            "content": {wire.ANSWER_MEDIA_TYPE: {"examples": ANSWERS}},
        },
        **problems(409, 413, 415, 429),
    },
)
@asks("readings:post")
@example(
    {
        "device": "{device}",
        "stream": "{stream}",
        "units": {"restriction": "kPa"},
        "readings": [{"seq": 5000, "at": "2026-03-02T19:53:20Z", "restriction": 3.0}],
    }
)
async def post_readings(request: Request) -> Response:
    """Receive a batch: decode, check, wait for the commit, answer."""
    resources = resources_of(request)
    key = await key_of(request, "readings:post")
    if not _is_small(request):
        resources.writer.require_room()
    with resources.room.share() as share:
        media_type, body = await bodies.read(request, media_types=tuple(DECODERS), share=share)
        incoming = await _incoming(services_of(request), key, DECODERS[media_type], body)
    done = resources.writer.post(
        receive.receive_all, incoming, order_key=incoming.order_key, readings=len(incoming.batch)
    )
    services_of(request).bodies.follow(done)
    answer: Answer = await _within(done, under_way.ANSWER_WITHIN_S, resources.writer)
    services_of(request).metrics.took(answer, len(incoming.batch))
    return Response(wire.encode_answer(answer), media_type=wire.ANSWER_MEDIA_TYPE)


async def _within(done: asyncio.Future[T], most_s: float, writer: Writer) -> T:
    """
    The result of a job. Raises TryAgain where it takes longer: one that has not begun is dropped then.

    What has begun may yet be stored, and a resend of it is a repeat.
    """
    # Not asyncio.wait_for, which wakes the request a turn of the loop later.
    is_late = False

    def drop() -> None:
        nonlocal is_late
        is_late = done.cancel()

    timer = done.get_loop().call_later(most_s, drop)
    try:
        return await done
    except asyncio.CancelledError:
        if is_late:
            raise writer.too_late(most_s) from None
        raise
    finally:
        timer.cancel()


async def _incoming(
    services: Services, key: Key, decode: Callable[[bytes], wire.Batch], body: bytes
) -> Incoming:
    """The batch in a body, ready for the writer."""
    resources = services.resources
    if len(body) <= DECODE_HERE_BYTES:
        # Until a commit of bulk is over, the next one has begun without it.
        hurries = len(body) <= SMALL_BYTES and resources.writer.bulk_waits
        opened = await services.bodies.hand_in(Body(resources, key, decode, body), len(body), hurries=hurries)
        if isinstance(opened, Incoming):
            return opened
        batch = opened
    else:
        batch = await to_thread.run_sync(decode, body, limiter=services.large_bodies)
        require_device(key, batch.device)
    arrived = as_arrived(resources, key, batch)
    if arrived is None:
        units = units_text(batch)
        unit_set_id = await run_in_threadpool(resources.keep_unit_set, units)
        arrived = Arrived(key.owner_id, batch, units, unit_set_id, resources.clock(), key.handle)
    [incoming] = prepared(resources, [arrived])
    return incoming


def _is_small(request: Request) -> bool:
    """True for a body that may be a live reading: it is read before the check for room."""
    declared = field(request.scope, b"content-length") or ""
    return declared.isdecimal() and int(declared) <= SMALL_BYTES


class PostedReadings:
    """
    POST /v1/readings without what the framework does for other addresses: nearly all requests come here.

    What is refused or fails gets the answer that it has anywhere else.
    """

    def __init__(self, *, handlers: Mapping[Any, Any]) -> None:
        """handlers : exception -> its answer, as `add_exception_handler` keeps them."""
        self._handlers = handlers
        #: counts and the check of parameters see the described route
        self.route = next(r for r in router.routes if isinstance(r, APIRoute) and r.endpoint is post_readings)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope["route"] = self.route
        request = Request(scope, receive, send)
        try:
            response = await post_readings(request)
        except Exception as error:
            response = await self._answer_to(request, error)
        await response(scope, receive, send)

    async def _answer_to(self, request: Request, error: Exception) -> Response:
        for kind in type(error).__mro__:
            if kind in self._handlers:
                answer: Response = await self._handlers[kind](request, error)
                return answer
        raise error
