"""Names of an owner's things that are one but for the case of their letters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, Literal, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store.models import crews, devices, machines, parts, sites

Named = Literal["machine", "device", "site", "crew", "part"]


class _Names(NamedTuple):
    """Where the names of a noun stand."""

    table: sa.Table
    column: sa.Column[str]
    #: which rows count
    only: sa.ColumnElement[bool] = sa.true()
    #: its letters are A to Z alone, so that every database lowers them as Python does
    is_ascii: bool = True


_OF: Final[Mapping[Named, _Names]] = {
    "machine": _Names(machines, machines.c.name),
    # what merely has quarantined readings was not named here
    "device": _Names(devices, devices.c.name, devices.c.registered_us.is_not(None)),
    "site": _Names(sites, sites.c.name),
    "crew": _Names(crews, crews.c.name),
    "part": _Names(parts, parts.c.number, is_ascii=False),
}


def names_like(connection: sa.Connection, noun: Named, owner: int, name: str) -> list[str]:
    """Names of this noun and owner that are `name` in any letter case, `name` itself too, in order."""
    place = _OF[noun]
    query = sa.select(place.column).where(place.table.c.owner_id == owner, place.only).order_by(place.column)
    if place.is_ascii:
        query = query.where(sa.func.lower(place.column) == name.lower())
    return [found for found in connection.execute(query).scalars() if found.lower() == name.lower()]


def but_for_case(name: str, there: Iterable[str]) -> str | None:
    """Of these, the name that `name` is but for the case of its letters; None: none, or it is there. Pure."""
    alike = [other for other in there if other.lower() == name.lower()]
    return None if name in alike else next(iter(alike), None)
