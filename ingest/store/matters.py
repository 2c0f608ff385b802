"""
Matters: what an owner's people hear about, each from when it opened until it is settled.

Promises: of one kind and subject at most one matter is open (a unique index holds it).
Leaves to others: what is a matter and when it is worse or settled (`ingest.messages.matters`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store.models import matters


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """A row of `matters`."""

    id: int
    owner_id: int
    kind: str
    subject: str
    #: None: it is for who sees all sites
    site: str | None
    severity: int
    #: how often it was news: 1 as it opened, one more each time it became worse
    step: int
    opened_us: int
    changed_us: int
    settled_us: int | None
    answered_us: int | None
    answered_by: str | None
    escalated_us: int | None
    about: Mapping[str, Any]


_FIELDS = tuple(Matter.__slots__)
_MATTER = sa.select(*(matters.c[name] for name in _FIELDS))


def _read(row: sa.Row[Any]) -> Matter:
    values = dict(zip(_FIELDS, row, strict=True))
    return Matter(**values | {"about": json.loads(values["about"])})


def open_of(connection: sa.Connection, owner_id: int) -> list[Matter]:
    """The open matters of an owner, oldest first."""
    query = _MATTER.where(matters.c.owner_id == owner_id, matters.c.settled_us.is_(None))
    return [_read(row) for row in connection.execute(query.order_by(matters.c.id))]


def find(connection: sa.Connection, owner_id: int, matter_id: int) -> Matter | None:
    """A matter of this owner by number, settled or not."""
    query = _MATTER.where(matters.c.owner_id == owner_id, matters.c.id == matter_id)
    row = connection.execute(query).first()
    return None if row is None else _read(row)


def create(connection: sa.Connection, **values: Any) -> int:
    """Store a new matter. values : columns of `Matter`. Returns its number."""
    values["about"] = json.dumps(values["about"])
    statement = sa.insert(matters).values(values).returning(matters.c.id)
    return int(connection.execute(statement).scalar_one())


def edit(connection: sa.Connection, matter_id: int, **changes: Any) -> None:
    """Write columns of a matter."""
    if "about" in changes:
        changes["about"] = json.dumps(changes["about"])
    connection.execute(sa.update(matters).where(matters.c.id == matter_id).values(changes))
