"""
The bytes of a request: checked against their digest, and decompressed up to a limit.

Promises: never takes more memory than the limits allow, whatever size a header states.
Leaves to others: what the bytes mean (`gateway.wire`).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import io
import re
import zlib
from collections.abc import Sequence

import zstandard
from fastapi import Request

from cleanside.gateway.wire import MAX_DECODED_BYTES
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.intake.head_fields import field
from cleanside.ingest.writer.bytes_in_flight import Share

ACCEPTED_CODINGS = "zstd, gzip"
MAX_ZSTD_WINDOW = 8 * 2**20  # RFC 9659: with HTTP a decoder supports windows up to 8 MB
# Of a body with gzip: what is behind a member is copied for the next one, and there may be fifty thousand.
_AT_ONCE = 16 * 2**10
_DIGESTS = {"sha-256": hashlib.sha256, "sha-512": hashlib.sha512}  # RFC 9530: the active ones
_DIGEST = "Content-Digest"
_DIGEST_ITEM = re.compile(r"\s*([a-z][a-z0-9-]*)=:([A-Za-z0-9+/=]*):\s*")


async def read(request: Request, *, media_types: Sequence[str], share: Share) -> tuple[str, bytes]:
    """
    Media type and decoded body of a request; `share` counts its bytes as they arrive and as they decompress.

    The key is charged where they decompress to many more.

    Raises Refused: 413 over a limit, 415 for a type or coding we do not take, 400 where the body does not
    decompress or differs from its Content-Digest. TryAgain where other requests take all the memory allowed.
    """
    media_type = require_type(field(request.scope, b"content-type"), media_types)
    named = field(request.scope, b"content-encoding")
    coding = "identity" if named is None else named.strip().casefold()
    if coding not in ("identity", "gzip", "x-gzip", "zstd"):
        raise Refused(
            "coding_not_supported",
            status=415,
            headers={"Accept-Encoding": ACCEPTED_CODINGS},
            coding=coding[:32],
            accepted=ACCEPTED_CODINGS,
        )
    body = await _received(request, share)
    _check_digest(field(request.scope, b"content-digest"), body)
    decoded = decompress(body, coding)
    if decoded is not body:
        request.state.arriving.decompressed(len(decoded))
        share.take(len(decoded))
    return media_type, decoded


async def _received(request: Request, share: Share) -> bytes:
    """The body as sent; its size is limited by ingest.api.edge, as that of every body is."""
    chunks = []
    async for chunk in request.stream():
        share.take(len(chunk))
        chunks.append(chunk)
    return chunks[0] if len(chunks) == 1 else b"".join(chunks)


def require_type(given: str | None, wanted: Sequence[str]) -> str:
    """The media type of a body, without parameters. Raises Refused (415) for one that is not wanted."""
    essence = (given or "").partition(";")[0].strip().casefold()
    if essence not in wanted:
        shown = f'"{essence[:64]}"' if essence else "a body without Content-Type"
        headers = {"Accept-Post": ", ".join(wanted)}
        raise Refused("type_not_supported", status=415, headers=headers, shown=shown, wanted=wanted[0])
    return essence


def _check_digest(header: str | None, body: bytes) -> None:
    """Compare the body as sent with its Content-Digest (RFC 9530), if there is one."""
    if header is None:
        return
    checked = 0
    for item in header.split(","):
        match = _DIGEST_ITEM.fullmatch(item)
        if match is None:
            raise _bad_digest(Complaint(_DIGEST, "digest_malformed", item=item.strip()[:48]))
        if match[1] in _DIGESTS:
            checked += 1
            if not hmac.compare_digest(_decoded(match[2]), _DIGESTS[match[1]](body).digest()):
                raise _bad_digest(Complaint(_DIGEST, "digest_differs", digest=match[1]), "digest_differs")
    if not checked:
        raise _bad_digest(Complaint(_DIGEST, "digest_unknown"))


def _decoded(text: str) -> bytes:
    try:
        return base64.b64decode(text, validate=True)
    except binascii.Error:
        return b""


def _bad_digest(wrong: Complaint, code: str = "digest_not_supported") -> Refused:
    wanted = {"Want-Content-Digest": "sha-256=10, sha-512=3"}
    return Refused(wrong.code, status=400, code=code, errors=[wrong], headers=wanted, **wrong.values)


def decompress(body: bytes, coding: str) -> bytes:
    """
    Undo a content coding. Stops at the limit, so that a decompression bomb does no harm.

    Raises Refused: 413 over the limit, 400 where the bytes are not that coding or end too early.
    """
    if coding == "identity":
        return body
    try:
        decoded = _gunzip(body) if coding.endswith("gzip") else _unzstd(body)
    except (zlib.error, zstandard.ZstdError, EOFError) as error:
        raise Refused("coding_broken", status=400, coding=coding, why=str(error)[:80]) from None
    if len(decoded) > MAX_DECODED_BYTES:
        raise Refused("body_unfolds_too_large", status=413, code="body_too_large", most=MAX_DECODED_BYTES)
    return decoded


def _gunzip(body: bytes) -> bytes:
    """The content of all members, one byte beyond the limit at most."""
    pieces: list[bytes] = []
    size, member = 0, None
    for at in range(0, len(body), _AT_ONCE):
        left = body[at : at + _AT_ONCE]
        while left:
            member = member or zlib.decompressobj(wbits=31)
            pieces.append(member.decompress(left, MAX_DECODED_BYTES + 1 - size))
            size += len(pieces[-1])
            if size > MAX_DECODED_BYTES:
                return b"".join(pieces)
            left, member = (member.unused_data, None) if member.eof else (b"", member)
    if member is not None:
        raise EOFError("it ends too early")
    return b"".join(pieces)


def _unzstd(body: bytes) -> bytes:
    decompressor = zstandard.ZstdDecompressor(max_window_size=MAX_ZSTD_WINDOW)
    with decompressor.stream_reader(io.BytesIO(body), read_across_frames=True) as reader:
        return reader.read(MAX_DECODED_BYTES + 1)
