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
#: first and last marker of a JPEG (ITU-T T.81, annex B: SOI and the marker after it, EOI)
_BEGINS, _ENDS = b"\xff\xd8\xff", b"\xff\xd9"
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
    housing = resources.writer.call(lambda connection: keep_plate_photo(connection, act, body))
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
    return content


def _document(housing: HousingRow, photo: PlatePhoto | None) -> dict[str, Any]:
    shown = None
    if photo is not None:
        jpeg = base64.b64encode(photo.jpeg).decode()
        shown = {"made_at": text(photo.made_us), "who": photo.who, "jpeg": jpeg}
    return {"machine": housing.machine, "housing": housing.name, "photo": shown}
