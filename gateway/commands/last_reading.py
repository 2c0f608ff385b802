"""
The last reading of a spool, with its age: the first thing that a person wants to know of a monitor.

Promises: reads only; a row that is not as it was written is left out. Leaves to others: showing it.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass

import apsw

from cleanside.gateway.spool.boots import load_placements, placement_at
from cleanside.gateway.spool.payload import NotAsWritten, read_unit_set, read_values
from cleanside.gateway.timing.clock import Clock

_LAST = """SELECT r.position, r.boot, r.time_us, r.payload, u.units, b.boot FROM readings r
JOIN unit_sets u ON u.number = r.unit_set LEFT JOIN boots b ON b.number = r.boot
ORDER BY r.position DESC LIMIT 1"""


@dataclass(frozen=True, slots=True)
class LastReading:
    """Values as sent, and their age."""

    #: quantity -> value, unit
    values: Mapping[str, tuple[float, str]]
    #: [s]; None: measured in a boot whose time is not known
    age_s: float | None
    #: True: the age is since its arrival at the gateway, whatever time of its own it has
    is_since_arrival: bool = False


def last_on_disk(connection: apsw.Connection, clock: Clock) -> LastReading | None:
    """The reading that was appended last; None: there is none, or it cannot be read."""
    row = next(iter(connection.execute(_LAST)), None)
    with suppress(NotAsWritten, ValueError, TypeError):
        if row is not None:
            position, boot, time_us, payload, units, boot_id = row
            (values,) = read_values([payload])
            named = zip(read_unit_set(units), values, strict=True)
            age_s = _age_s(connection, clock, position, boot, time_us, boot_id)
            return LastReading({name: (value, unit) for (name, unit), value in named}, age_s)
    return None


def _age_s(
    connection: apsw.Connection,
    clock: Clock,
    position: int,
    boot: int | None,
    time_us: int,
    boot_id: str | None,
) -> float | None:
    if boot is not None and boot_id == clock.boot_id():  # needs no wall clock
        return max(0.0, (clock.since_boot_us() - time_us) / 1e6)
    placement = None if boot is None else placement_at(load_placements(connection), boot, position)
    if boot is not None and placement is None:
        return None
    at_us = time_us if placement is None else placement.at_us(time_us)
    return max(0.0, (clock.utc_us() - at_us) / 1e6)
