"""The photo of the plate from which a change limit was read, kept beside the limit."""

from __future__ import annotations

import base64
import binascii
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query
from pydantic import Field

from cleanside.ingest.api.routes.described_fleet import PlatePhotoAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.noted_entries import note_entry
from cleanside.ingest.api.routes.shared import (
    Act,
    Name,
    PathName,
    R,
    Strict,
    needs,
    problems,
    router_of,
    text,
)
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.store import audit, plate_photos
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.plate_photos import PlatePhoto

router = router_of("acceptance")

MOST_BYTES = 400_000  # chosen: a plate of 1280 px across is read well from 200 kB
_BASE64_CHARACTERS = (MOST_BYTES + 2) // 3 * 4
MOST_PIXELS = 16_000_000  # chosen: a browser needs 4 bytes for each; a photo of 400 kB has fewer
#: first and last marker of a JPEG (ITU-T T.81, annex B: SOI and the marker after it, EOI)
_BEGINS, _ENDS = b"\xff\xd8\xff", b"\xff\xd9"
_SCAN = 0xDA  # SOS: what comes after it is the picture
#: SOF: height and width; without DHT, JPG and DAC, which stand between them (table B.1)
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
#: one pixel, for the description
ONE_PIXEL = (
    "/9j/4AAQSkZJRgABAQEASABIAAD/2wBDAP//////////////////////////////////////////////////////////////////////"
    "////////////////wAALCAABAAEBAREA/8QAFAABAAAAAAAAAAAAAAAAAAAAA//EABQQAQAAAAAAAAAAAAAAAAAAAAD/2gAIAQEAAD8A"
    "N//Z"
)


class NewPlatePhoto(Strict):
    """A photo of the plate or the manual's page."""

    jpeg: str = Field(
        max_length=_BASE64_CHARACTERS, description=f"base64; at most {MOST_BYTES} bytes of JPEG"
    )
    housing: Name = DEFAULT_HOUSING


@router.post(
    "/v1/machines/{machine}/plate-photo",
    summary="Keep a photo of the plate",
    response_model=PlatePhotoAnswer,
    responses=problems(404),
)
@example({"jpeg": ONE_PIXEL, "housing": "{housing}"}, plain="jpeg")
def post_plate_photo(
    machine: PathName,
    body: NewPlatePhoto,
    resources: R,
    key: Annotated[Key, Depends(needs("terminals:write"))],
) -> dict[str, Any]:
    """Keep what was photographed when the limit was read. Of a housing, the newest four stay."""
    now_us = resources.clock()
    act = Act(key, machine, now_us, now_us)

    def save(connection: sa.Connection) -> HousingRow:
        housing = keep_plate_photo(connection, act, body)
        note_entry(connection, act, "plate_photo", body)
        return housing

    housing = resources.writer.call(save)
    with resources.reading() as connection:
        return _document(housing, plate_photos.newest_of(connection, housing.id))


@router.get(
    "/v1/machines/{machine}/plate-photo",
    summary="The newest photo of the plate",
    response_model=PlatePhotoAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_plate_photo(
    machine: PathName,
    resources: R,
    key: Annotated[Key, Depends(needs("fleet:read"))],
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
) -> dict[str, Any]:
    """The photo, with who made it and when."""
    with resources.reading() as connection:
        found = find_housing(connection, key, machine, housing)
        return _document(found, plate_photos.newest_of(connection, found.id))


def keep_plate_photo(connection: sa.Connection, act: Act, body: NewPlatePhoto) -> HousingRow:
    """Keep a photo. Raises Refused, and then wrote nothing."""
    jpeg = _jpeg_of(body.jpeg)
    housing = find_housing(connection, act.key, act.machine, body.housing)
    plate_photos.put(connection, housing.id, PlatePhoto(act.made_us, act.key.handle, jpeg))
    about = {"machine": act.machine, "housing": body.housing, "bytes": len(jpeg)}
    audit.note(connection, act.key.owner_id, act.now_us, act.key.handle, "plate_photo", **about)
    return housing


def _jpeg_of(given: str) -> bytes:
    """The bytes of a JPEG. Raises Refused (422) for anything else."""
    try:
        content = base64.b64decode(given, validate=True)
    except (binascii.Error, ValueError):
        content = b""
    if not content.startswith(_BEGINS) or not content.rstrip(b"\x00").endswith(_ENDS):
        raise NotValid(Complaint("#/jpeg", "not_a_jpeg", most=MOST_BYTES))
    width, height = size_of(content)
    if width == 0 or height == 0:
        raise NotValid(Complaint("#/jpeg", "not_a_jpeg", most=MOST_BYTES))
    if width * height > MOST_PIXELS:
        about = {"width": width, "height": height, "most": MOST_PIXELS}
        raise NotValid(Complaint("#/jpeg", "photo_too_large", **about))
    return content


def size_of(jpeg: bytes) -> tuple[int, int]:
    """
    Width and height that a JPEG claims [px]; (0, 0): it has no frame before its picture, so it is none.

    Segment by segment as ITU-T T.81 section B.1.1.4 and table B.2 have them. A height of 0, which a later
    marker may give, counts as none: no camera writes it (common practice).
    """
    at, size = 2, (0, 0)
    while jpeg[at : at + 1] == b"\xff" and len(jpeg) >= at + 4:
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4])
        if marker == 0xFF:  # fill
            at += 1
            continue
        if marker == _SCAN:
            return size
        if not 0xC0 <= marker <= 0xFE or length < 2:
            break
        if marker in _FRAMES:
            size = (int.from_bytes(jpeg[at + 7 : at + 9]), int.from_bytes(jpeg[at + 5 : at + 7]))
        at += 2 + length
    return (0, 0)


def _document(housing: HousingRow, photo: PlatePhoto | None) -> dict[str, Any]:
    shown = None
    if photo is not None:
        jpeg = base64.b64encode(photo.jpeg).decode()
        shown = {"made_at": text(photo.made_us), "who": photo.who, "jpeg": jpeg}
    return {"machine": housing.machine, "housing": housing.name, "photo": shown}
