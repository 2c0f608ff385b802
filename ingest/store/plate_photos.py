"""Photos of the plate from which a change limit was read: a few for each housing, the newest first."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store.models import plate_photos

KEPT = 4  # photos of a housing; chosen: each reading of the limit, and a second try


class PlatePhoto(NamedTuple):
    """A photo as a phone sent it."""

    made_us: int
    who: str
    jpeg: bytes


def put(connection: sa.Connection, housing_id: int, photo: PlatePhoto) -> None:
    """Keep a photo; of a housing's, the oldest beyond `KEPT` goes."""
    connection.execute(sa.insert(plate_photos).values(housing_id=housing_id, **photo._asdict()))
    of_housing = plate_photos.c.housing_id == housing_id
    newest = sa.select(plate_photos.c.id).where(of_housing).order_by(plate_photos.c.id.desc())
    kept = list(connection.scalars(newest.limit(KEPT)))
    connection.execute(sa.delete(plate_photos).where(of_housing, plate_photos.c.id < min(kept)))


def take_back(connection: sa.Connection, housing_id: int, made_us: int, who: str) -> bool:
    """Remove the photo that somebody made at an instant; the one before counts again. False: none."""
    of = (plate_photos.c.housing_id == housing_id) & (plate_photos.c.made_us == made_us)
    return connection.execute(sa.delete(plate_photos).where(of, plate_photos.c.who == who)).rowcount > 0


def newest_of(connection: sa.Connection, housing_id: int) -> PlatePhoto | None:
    """The newest photo of a housing; None: there is none."""
    query = sa.select(*(plate_photos.c[f] for f in PlatePhoto._fields))
    query = query.where(plate_photos.c.housing_id == housing_id).order_by(plate_photos.c.id.desc())
    row = connection.execute(query.limit(1)).first()
    return None if row is None else PlatePhoto(*row)


def made_at(connection: sa.Connection, housing_id: int) -> int | None:
    """When the newest photo of a housing was made, without reading it; None: there is none. [us]"""
    query = sa.select(plate_photos.c.made_us).where(plate_photos.c.housing_id == housing_id)
    found: int | None = connection.scalar(query.order_by(plate_photos.c.id.desc()).limit(1))
    return found
