"""
How often a planned day was moved, from the audit log, which has every day that people planned.

Leaves to others: what counts as a move (`shop.planned.times_moved`), where it is shown.
"""

from __future__ import annotations

from collections.abc import Iterable

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.shop.planned import times_moved
from cleanside.ingest.store import audit
from cleanside.ingest.store.keys import Key

SEEN_BACK_US = 366 * 86_400_000_000  # days planned before that are not counted; chosen: a plan lives weeks


def moves_of(
    connection: sa.Connection, key: Key, views: Iterable[View], now_us: int
) -> dict[tuple[str, str], int]:
    """Machine and housing -> moves of the planned day of its present element; where none is, left out."""
    planned = [view for view in views if view.papers.planned is not None]
    if not planned:
        return {}
    days = audit.planned_days_of(connection, key.owner_id, now_us - SEEN_BACK_US)
    names = {(view.housing.machine, view.housing.name): view.assessment.study for view in planned}
    return {name: times_moved(days.get(name, ()), study) for name, study in names.items()}
