"""
Where quarantined readings were measured: on the housing on which their device sat at their instant.

Promises: a reading follows its device's seat at the time of measurement, as stored readings do. One whose
time is in doubt, or before or after every seat, counts for no housing. Of a device that has always sat on one
housing nothing is read but how many there are.
Leaves to others: the readings (`quarantine`), the seats (`fleet`).
"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.store import dialect, reasons
from cleanside.ingest.store.models import assignments, quarantine, streams
from cleanside.ingest.store.quarantine import HELD


class Seat(NamedTuple):
    """When a device sits on a housing; None is open. [us]"""

    housing_id: int
    from_us: int | None
    until_us: int | None


class HeldReading(NamedTuple):
    """A quarantined reading, and where it was measured."""

    device_id: int
    code: str
    beside: bool
    housing_id: int | None  # None: not known


def held_on_housings(connection: sa.Connection, housing_ids: Collection[int]) -> dict[int, int]:
    """Housing -> quarantined readings that were measured on it; those without any are left out."""
    found: Counter[int] = Counter()
    for piece in dialect.in_lists(sorted(housing_ids)):
        here = sa.select(assignments.c.device_id).where(assignments.c.housing_id.in_(piece))
        seats = _seats(connection, assignments.c.device_id.in_(here))
        settled = {device: of[0].housing_id for device, of in seats.items() if _is_settled(of)}
        for device_id, many in _counted(connection, list(settled)).items():
            found[settled[device_id]] += many
        moved = {device: of for device, of in seats.items() if device not in settled}
        where = (one.housing_id for one in held_of_moved(connection, moved))
        found.update(housing_id for housing_id in where if housing_id is not None and housing_id in piece)
    return dict(found)


def moved_devices(connection: sa.Connection, owner_id: int | None) -> dict[int, list[Seat]]:
    """Seats of the devices that have not always sat on one housing, of an owner or of all."""
    held = sa.select(streams.c.device_id).join_from(quarantine, streams).where(quarantine.c.state == HELD)
    if owner_id is not None:
        held = held.where(streams.c.owner_id == owner_id)
    seats = _seats(connection, assignments.c.device_id.in_(held))
    return {device: of for device, of in seats.items() if not _is_settled(of)}


def held_of_moved(connection: sa.Connection, seats: Mapping[int, Sequence[Seat]]) -> Iterator[HeldReading]:
    """Each quarantined reading of devices, with where it was measured. seats : by device."""
    columns = (
        *(streams.c.device_id, quarantine.c.code, quarantine.c.beside),
        *(quarantine.c.reasons, quarantine.c.content, quarantine.c.amended),
    )
    for piece in dialect.in_lists(sorted(seats)):
        query = sa.select(*columns).join_from(quarantine, streams)
        query = query.where(quarantine.c.state == HELD, streams.c.device_id.in_(piece))
        for row in connection.execute(query):
            at_us = _instant_us(row)
            housing_id = None if at_us is None else _housing_at(seats[row.device_id], at_us)
            yield HeldReading(row.device_id, row.code, bool(row.beside), housing_id)


def _seats(connection: sa.Connection, which: sa.ColumnElement[bool]) -> dict[int, list[Seat]]:
    """Device -> its seats, without those that were cut whole."""
    columns = (assignments.c.device_id, *(assignments.c[name] for name in Seat._fields))
    found: defaultdict[int, list[Seat]] = defaultdict(list)
    for device_id, *seat in connection.execute(sa.select(*columns).where(which).order_by(assignments.c.id)):
        if seat[1] is None or seat[1] != seat[2]:
            found[device_id].append(Seat(*seat))
    return found


def _is_settled(seats: Sequence[Seat]) -> bool:
    """It sits where it has always sat."""
    return len(seats) == 1 and seats[0].from_us is None and seats[0].until_us is None


def _counted(connection: sa.Connection, device_ids: Sequence[int]) -> dict[int, int]:
    """Device -> its quarantined readings."""
    found: dict[int, int] = {}
    for piece in dialect.in_lists(device_ids):
        query = sa.select(streams.c.device_id, sa.func.count()).join_from(quarantine, streams)
        query = query.where(quarantine.c.state == HELD, streams.c.device_id.in_(piece))
        found |= {row[0]: row[1] for row in connection.execute(query.group_by(streams.c.device_id))}
    return found


def _instant_us(row: Any) -> int | None:
    """When a reading was measured; None: its time is in doubt, or cannot be read."""
    if any(reasons.doubts_time(reason["code"]) for reason in json.loads(row.reasons)):
        return None
    try:
        return parse_instant(json.loads(row.amended or row.content)["at"]).us
    except (KeyError, TypeError, ValueError):
        return None


def _housing_at(seats: Sequence[Seat], at_us: int) -> int | None:
    for seat in seats:
        starts = seat.from_us is None or seat.from_us <= at_us
        if starts and (seat.until_us is None or at_us < seat.until_us):
            return seat.housing_id
    return None
