"""POST /v1/bundles: import a backlog that was carried as a file."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncIterator, Callable
from typing import Any

from anyio import from_thread
from fastapi import Request, Response
from fastapi.responses import JSONResponse
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.shared import asks, key_of, problems, resources_of, router_of
from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.intake import bodies, bundles
from cleanside.ingest.intake.bundles import Bringer
from cleanside.ingest.store.keys import Key
from cleanside.ingest.writer.resources import Resources

router = router_of("bundles")

PATH = "/v1/bundles"
BUNDLE_MEDIA_TYPE = "application/octet-stream"
STALLED_S = 30.0  # a client that sends nothing for so long has gone; earlier blocks are stored (chosen)
BUNDLE_RETRY_AFTER_S = 30


class StreamMark(Described):
    """The mark of a stream after its last block."""

    stream: str
    acknowledged_through: int


class BlockNotTaken(Described):
    """A block that was not taken; with `bundle_altered` and `bundle_cut_short` all from it on."""

    block: int
    code: str = Field(examples=["bundle_cut_short"], description="why, as a code; stable, decide by this")
    detail: str
    next_step: str


class BundleAnswer(Described):
    """The outcome of an import, once every taken block is durable."""

    device: str
    whole: bool = Field(description="every block was there, sound, and taken")
    blocks: int
    stored: int
    duplicates: int
    quarantined: int
    streams: list[StreamMark]
    not_taken: list[BlockNotTaken]
    not_taken_more: int | None = Field(None, description="blocks beyond those listed")


@router.post(
    PATH,
    summary="Import a bundle",
    description=(
        "The file that `cleanside-gateway export` wrote. Its good beginning is taken block by block, and "
        "what is not taken is named; the same file may be sent again, repeats are known. Nothing is taken "
        "unless its MAC was made with a valid key of its device. Recorded in the audit. How large it may be "
        "is a setting of the server, `max_bundle_bytes`."
    ),
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {BUNDLE_MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}}},
        }
    },
    responses={
        200: {"description": "what was taken is durable", "model": BundleAnswer},
        **problems(415),
    },
)
@asks("bundles:import")
async def post_bundle(request: Request) -> Response:
    """Import a bundle as it arrives."""
    resources = resources_of(request)
    key = await key_of(request, "bundles:import")
    bodies.require_type(request.headers.get("content-type"), (BUNDLE_MEDIA_TYPE,))
    if (coding := request.headers.get("content-encoding", "identity")) != "identity":
        headers = {"Accept-Encoding": "identity"}
        raise Refused(
            "coding_of_bundle", status=415, code="coding_not_supported", headers=headers, coding=coding[:32]
        )
    chunks = request.stream()
    document = await run_in_threadpool(take, resources, key, lambda: from_thread.run(_next, chunks))
    return JSONResponse(document)


async def _next(chunks: AsyncIterator[bytes]) -> bytes:
    """The next bytes; empty at the end, also where the client breaks off."""
    try:
        async with asyncio.timeout(STALLED_S):
            return await anext(chunks)
    except (StopAsyncIteration, TimeoutError, ClientDisconnect):
        return b""


def take(resources: Resources, key: Key, arriving: Callable[[], bytes]) -> dict[str, Any]:
    """
    Take a bundle in, as far as it is good. In a thread: reading, checking and committing wait for each other.

    arriving : gives the next piece; empty: the end.
    """
    if not resources.importing.acquire(blocking=False):
        raise TryAgain("another_bundle", retry_after_s=BUNDLE_RETRY_AFTER_S)
    file = io.BufferedReader(ArrivingBundle(arriving))
    bringer = Bringer(
        owner_id=key.owner_id,
        who=key.handle,
        run=resources.writer.call,
        clock=resources.clock,
        sqlite=resources.is_sqlite,
    )
    try:
        return bundles.take_in(file, bringer).document()
    finally:
        resources.importing.release()
        while file.read1():  # a client that still sends would never read the answer
            pass


class ArrivingBundle(io.RawIOBase):
    """Chunks that arrive one after the other, as a file that is read forwards."""

    def __init__(self, next_chunk: Callable[[], bytes]) -> None:
        """next_chunk : gives the next one; empty: there are no more, and it is not asked again."""
        self._next = next_chunk
        self._left = memoryview(b"")
        self._is_over = False

    def readable(self) -> bool:
        """It is there to be read."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill the buffer with what is there, at least one byte but at the end."""
        if not self._left and not self._is_over:
            self._left = memoryview(self._next())
            self._is_over = not self._left
        size = min(len(buffer), len(self._left))
        buffer[:size] = self._left[:size]
        self._left = self._left[size:]
        return size
