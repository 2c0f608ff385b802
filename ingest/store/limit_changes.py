"""Limits as people entered them, each with the one that it replaced, so that it can be taken back."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store.fleet import TerminalRow
from cleanside.ingest.store.models import limit_changes


class LimitChange(NamedTuple):
    """A limit that was entered. before: the one that it replaced; None: there was none."""

    id: int
    valid_from_us: int
    value: float
    unit: str
    before: TerminalRow | None


def put(
    connection: sa.Connection,
    housing_id: int,
    limit: TerminalRow,
    before: TerminalRow | None,
    *,
    at_us: int,
    who: str,
) -> None:
    """Keep that a limit was entered, and what it replaced."""
    values = {"valid_from_us": limit.valid_from_us, "value": limit.value, "unit": limit.unit}
    if before is not None:
        values |= {
            "before_value": before.value,
            "before_unit": before.unit,
            "before_pa": before.restriction_pa,
        }
    statement = sa.insert(limit_changes).values(housing_id=housing_id, at_us=at_us, who=who, **values)
    connection.execute(statement)


def find(connection: sa.Connection, housing_id: int, *, at_us: int, who: str) -> LimitChange | None:
    """What was entered at an instant by somebody; None: nothing, or what it replaced was not kept."""
    names = ("id", "valid_from_us", "value", "unit", "before_value", "before_unit", "before_pa")
    query = sa.select(*(limit_changes.c[name] for name in names))
    query = query.where(limit_changes.c.housing_id == housing_id, limit_changes.c.at_us == at_us)
    row = connection.execute(query.where(limit_changes.c.who == who)).first()
    if row is None:
        return None
    before = None
    if row.before_value is not None:
        before = TerminalRow(row.valid_from_us, row.before_value, row.before_unit, row.before_pa)
    return LimitChange(row.id, row.valid_from_us, row.value, row.unit, before)


def forget(connection: sa.Connection, change_id: int) -> None:
    """Delete a change that was taken back."""
    connection.execute(sa.delete(limit_changes).where(limit_changes.c.id == change_id))
