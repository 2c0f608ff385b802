"""
What is needed beside summaries to judge housings, for one or for a whole fleet in a handful of queries.

Leaves to others: what it means (`ingest.assessment`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from ingest.models import assignments, element_changes, hours, housings, machines, streams, terminals
from ingest.store.fleet import Housing, Terminal


@dataclass(frozen=True)
class Newest:
    """The stream of a housing's devices that was heard last."""

    stream_id: int
    device_id: int
    last_heard_us: int
    has_more: bool  # its gateway has appended more than ever came


@dataclass
class Surroundings:
    """What stands around one housing."""

    terminals: list[Terminal] = field(default_factory=list)  # in order of validity
    changes_us: list[int] = field(default_factory=list)  # entered element changes, in time order
    device_ids: list[int] = field(default_factory=list)  # devices that sit on it now
    newest: Newest | None = None  # None: nothing ever came
    hours_behind: int = 0  # hours of its devices that wait for the analysis
    behind_from_hour: int | None = None  # the earliest of them


def of_housings(
    connection: sa.Connection, wanted: Sequence[Housing], now_us: int, *, whole_owner: bool
) -> dict[int, Surroundings]:
    """
    What stands around each housing, by its id.

    whole_owner : `wanted` are all of one owner; then rows are found by owner and not one by one.
    """
    found = {housing.id: Surroundings() for housing in wanted}
    if not wanted:
        return found
    here: Any = housings.c.id.in_([housing.id for housing in wanted])
    if whole_owner:
        here = machines.c.owner_id == wanted[0].owner_id
    _fill_entered(connection, here, found)
    _fill_devices(connection, here, found, now_us)
    return found


def _fill_entered(connection: sa.Connection, here: Any, found: dict[int, Surroundings]) -> None:
    query = sa.select(terminals.c.housing_id, *(terminals.c[name] for name in Terminal._fields))
    query = query.select_from(terminals.join(housings).join(machines)).where(here)
    for housing_id, *values in connection.execute(query.order_by(terminals.c.valid_from_us)):
        found[housing_id].terminals.append(Terminal(*values))
    changed = sa.select(element_changes.c.housing_id, element_changes.c.changed_us)
    changed = changed.select_from(element_changes.join(housings).join(machines)).where(here)
    for housing_id, changed_us in connection.execute(changed.order_by(element_changes.c.changed_us)):
        found[housing_id].changes_us.append(changed_us)


def _fill_devices(connection: sa.Connection, here: Any, found: dict[int, Surroundings], now_us: int) -> None:
    seats = sa.select(assignments.c.housing_id, assignments.c.device_id)
    seats = seats.select_from(assignments.join(housings).join(machines)).where(
        here,
        sa.or_(assignments.c.from_us.is_(None), assignments.c.from_us <= now_us),
        sa.or_(assignments.c.until_us.is_(None), assignments.c.until_us > now_us),
    )
    on: defaultdict[int, list[int]] = defaultdict(list)
    for housing_id, device_id in connection.execute(seats.order_by(assignments.c.id)):
        found[housing_id].device_ids.append(device_id)
        on[device_id].append(housing_id)
    sitting = seats.with_only_columns(assignments.c.device_id)
    for row in connection.execute(_heard().where(streams.c.device_id.in_(sitting))):
        for housing_id in on[row.device_id]:
            _take_newest(found[housing_id], row)
    for device_id, many, first in connection.execute(_behind().where(streams.c.device_id.in_(sitting))):
        for housing_id in on[device_id]:
            around = found[housing_id]
            around.hours_behind += many
            around.behind_from_hour = min(first, around.behind_from_hour or first)


def _heard() -> sa.Select[Any]:
    return sa.select(
        streams.c.id,
        streams.c.device_id,
        streams.c.last_heard_us,
        streams.c.highest,
        streams.c.appended_through,
    )


def _take_newest(around: Surroundings, row: sa.Row[Any]) -> None:
    kept = around.newest
    if kept is None or (row.last_heard_us, row.id) > (kept.last_heard_us, kept.stream_id):
        has_more = row.appended_through is not None and row.appended_through > row.highest
        around.newest = Newest(row.id, row.device_id, row.last_heard_us, has_more)


def _behind() -> sa.Select[Any]:
    query = sa.select(streams.c.device_id, sa.func.count(), sa.func.min(hours.c.hour))
    query = query.select_from(hours.join(streams)).group_by(streams.c.device_id)
    return query.where(sa.text("hours.revision > hours.analysed_revision"))
