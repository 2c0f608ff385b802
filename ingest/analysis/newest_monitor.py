"""
The monitor that was fitted last on a housing: an installation proves that one, whatever sits beside it.

Promises: what an older monitor sent proves nothing for the newest. One that has sent nothing is the newest.
Leaves to others: the checks (`ingest.analysis.acceptance_sheet`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import acceptance, fleet
from cleanside.ingest.store.fleet import Assignment, HousingRow

HOUR_US = 3_600_000_000  # arithmetic


class Fitted(NamedTuple):
    """The newest monitor on a housing, and those that sat there before it and still do."""

    #: None: no monitor sits there
    newest: Assignment | None
    #: from when on its readings are those of this installation [us]
    #: 0: no monitor sits there, or the first that ever did, which has sent nothing
    since_us: int
    #: names of the other monitors that sit there, in order
    beside: tuple[str, ...]

    @property
    def device_ids(self) -> list[int]:
        """The newest monitor's id; none where none sits there."""
        return [] if self.newest is None else [self.newest.device_id]


def fitted_last(connection: sa.Connection, housing: HousingRow, now_us: int) -> Fitted:
    """The newest of the monitors that sit on a housing now."""
    sitting = seats_now(connection, housing, now_us)
    if not sitting:
        return Fitted(None, 0, ())
    newest = max(sitting, key=lambda seat: _order(connection, seat))
    since_us = began_us(connection, newest)
    if since_us is None:
        since_us = _registered_us(connection, housing, newest, now_us)
    return Fitted(newest, since_us, tuple(sorted({seat.device for seat in sitting} - {newest.device})))


def _registered_us(connection: sa.Connection, housing: HousingRow, newest: Assignment, now_us: int) -> int:
    """
    Since when a monitor that sent nothing yet may sit there. [us]

    The first one that ever sat there: since ever, as what a person entered before can be of no other.
    """
    if all(
        seat.device_id == newest.device_id for seat in fleet.assignments_of_housing(connection, housing.id)
    ):
        return 0
    device = fleet.device(connection, housing.owner_id, newest.device)
    return now_us if device is None or device.registered_us is None else device.registered_us


def seats_now(connection: sa.Connection, housing: HousingRow, now_us: int) -> list[Assignment]:
    """The devices that sit on a housing now."""
    seats = fleet.assignments_of_housing(connection, housing.id)
    return [seat for seat in seats if seat.until_us is None or seat.until_us > now_us]


def began_us(connection: sa.Connection, seat: Assignment) -> int | None:
    """Since when a device sits there: without a start since its first reading. None: there is none yet."""
    if seat.from_us is not None:
        return seat.from_us
    hour = acceptance.first_hour(connection, [seat.device_id])
    return None if hour is None else hour * HOUR_US


def _order(connection: sa.Connection, seat: Assignment) -> tuple[float, int]:
    """Of two that began in the same hour, or have sent nothing, the one entered later is the newer."""
    began = began_us(connection, seat)
    return math.inf if began is None else began, seat.id
