"""
The age of readings in the spool, without trusting the wall clock.

Promises: a reading counts as old only where the time is known: its boot and the running one are placed. A
recording of years ago that is replayed today is not old: the time of its append counts, as far as that is
known. Pure, except for the one query that reads boots.
Leaves to others: thinning and deleting old readings (`gateway.spool.room`).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Final

import apsw

from cleanside.gateway.spool.boots import Placements, placement_at
from cleanside.gateway.spool.rows import Row

DAY_US: Final = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Ages:
    """Readings appended before an instant."""

    #: anything before it is old [us since 1970]
    cutoff_us: int
    placements: Placements
    #: first position and number of each boot, in order
    boots: Sequence[tuple[int, int]]
    now_us: int

    def old(self, rows: Sequence[Row]) -> list[Row]:
        """The rows at the beginning of `rows` that are old; rows : in order of position."""
        return list(takewhile(self._is_old, rows))

    def _is_old(self, row: Row) -> bool:
        held_us = self._held_since_us(row)
        return held_us is not None and held_us < self.cutoff_us

    def _held_since_us(self, row: Row) -> int | None:
        """The latest possible time of its append [us since 1970]; None: not known."""
        position, boot, time_us = row[0], row[1], row[2]
        if boot is not None:
            placement = placement_at(self.placements, boot, position)
            return None if placement is None else placement.at_us(time_us)
        index = bisect_right(self.boots, position, key=lambda entry: entry[0]) - 1
        begin_us = self._begin_us(index)
        end_us = self.now_us if index + 1 == len(self.boots) else self._begin_us(index + 1)
        if begin_us is None or end_us is None:
            return None
        # A time of its own within the boot is about the time of the append; any other is a replay's.
        return time_us if begin_us <= time_us <= end_us else end_us

    def _begin_us(self, index: int) -> int | None:
        if index < 0:
            return None
        first, boot = self.boots[index]
        placement = placement_at(self.placements, boot, first)
        return None if placement is None else placement.at_us(0)


def ages(
    connection: apsw.Connection, placements: Placements, *, boot: int, since_boot_us: int, most_days: float
) -> Ages | None:
    """
    Readings older than `most_days` at an instant of the running boot; None: that instant is not known in UTC.

    boot, since_boot_us : the running boot and its clock [us]. most_days : above 0 [d].
    """
    running = placements.get(boot)
    if not running:
        return None
    now_us = running[-1][1].at_us(since_boot_us)
    boots: list[tuple[int, int]] = connection.execute(
        "SELECT first_position, number FROM boots ORDER BY number"
    ).fetchall()  # type: ignore[assignment]
    return Ages(now_us - round(most_days * DAY_US), placements, boots, now_us)
