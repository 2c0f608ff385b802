"""
Bytes on the link, counted by day.

Promises: the disk is spared: counts wait in memory for the next change of the file.
Leaves to others: showing them (`gateway.spool.state`).
"""

from __future__ import annotations

from typing import Final

import apsw

from cleanside.gateway.wire import instant_text

_ADD: Final = """INSERT INTO traffic VALUES (?, ?, ?) ON CONFLICT (day) DO UPDATE
SET up_bytes = up_bytes + excluded.up_bytes, down_bytes = down_bytes + excluded.down_bytes"""


class Traffic:
    """What is not written yet. The caller has the spool's lock."""

    def __init__(self) -> None:
        self._waiting: dict[str, tuple[int, int]] = {}

    def count(self, utc_us: int, *, up_bytes: int, down_bytes: int) -> None:
        """Count bytes sent and received now."""
        day = instant_text(utc_us)[:10]
        up, down = self._waiting.get(day, (0, 0))
        self._waiting[day] = (up + up_bytes, down + down_bytes)

    def write(self, connection: apsw.Connection) -> None:
        """Add to the table what waits."""
        if self._waiting:
            counted, self._waiting = self._waiting, {}
            connection.executemany(_ADD, [(day, up, down) for day, (up, down) in counted.items()])
