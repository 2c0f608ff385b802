"""Spreadsheets that were taken in: what each changed, and whether it was taken back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store.models import sheet_imports


class TakenSheet(NamedTuple):
    """A spreadsheet that changed something."""

    id: int
    at_us: int
    who: str
    kind: str  # machines or parts
    changed: int  # rows that changed something
    taken_back_us: int | None  # None: it stands
    taken_back_by: str | None


def put(
    connection: sa.Connection, owner_id: int, now_us: int, who: str, kind: str, content: Mapping[str, Any]
) -> int:
    """Keep what a spreadsheet changed. Returns its number."""
    values = {"owner_id": owner_id, "at_us": now_us, "who": who, "kind": kind}
    values["changed"] = len(content["changes"])
    statement = sa.insert(sheet_imports).values(**values, content=json.dumps(content))
    return int(connection.execute(statement.returning(sheet_imports.c.id)).scalar_one())


def find(connection: sa.Connection, owner_id: int, sheet: int) -> TakenSheet | None:
    """A spreadsheet of an owner."""
    row = connection.execute(_of(owner_id).where(sheet_imports.c.id == sheet)).first()
    return None if row is None else TakenSheet(*row)


def content_of(connection: sa.Connection, sheet: int) -> dict[str, Any]:
    """What a spreadsheet changed, as it was kept."""
    content: dict[str, Any] = json.loads(
        connection.execute(sa.select(sheet_imports.c.content).where(sheet_imports.c.id == sheet)).scalar_one()
    )
    return content


def list_of(
    connection: sa.Connection, owner_id: int, *, before_id: int | None, limit: int
) -> list[TakenSheet]:
    """The spreadsheets of an owner, newest first."""
    query = _of(owner_id).order_by(sheet_imports.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(sheet_imports.c.id < before_id)
    return [TakenSheet(*row) for row in connection.execute(query)]


def set_taken_back(connection: sa.Connection, sheet: int, now_us: int, who: str) -> bool:
    """
    Note who takes a spreadsheet back. False: somebody did before.

    Another transaction that does the same waits here until this one ends.
    """
    here = (sheet_imports.c.id == sheet, sheet_imports.c.taken_back_us.is_(None))
    statement = sa.update(sheet_imports).where(*here).values(taken_back_us=now_us, taken_back_by=who)
    return connection.execute(statement).rowcount > 0


def _of(owner_id: int) -> sa.Select[Any]:
    columns = [sheet_imports.c[name] for name in TakenSheet._fields]
    return sa.select(*columns).where(sheet_imports.c.owner_id == owner_id)
