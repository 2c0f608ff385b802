"""
Entries of people at the machine, kept in the spool until the server has them.

Leaves to others: their rows and times (`gateway.spool.machine_entries`), sending
(`gateway.uplink.entry_lane`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cleanside.gateway.spool.machine_entries import (
    EntriesToSend,
    KeptEntry,
    add_entry,
    count_waiting_entries,
    entry_streams_to_ask,
    last_entries,
    next_entries,
    set_entry_mark,
)
from cleanside.gateway.spool.spool_on_disk import SpoolOnDisk, on_a_full_disk
from cleanside.gateway.spool.state import last_position


class SpoolEntries(SpoolOnDisk):
    """The verbs of entries."""

    entries_added = 0  # since this process opened the file

    @on_a_full_disk
    def enter(self, entry_id: str, content: Mapping[str, Any], *, ago_us: int = 0) -> bool:
        """
        Keep what a person entered; on disk once this returns. False: that id is kept already.

        ago_us : how long ago the work was done. Raises CalledWrongly (too many wait), SpoolFull,
        SpoolUnavailable; SpoolDamaged: the file was replaced, call again.
        """
        with self._disk.transaction() as connection:
            is_new = add_entry(
                connection,
                entry_id,
                content,
                boot=self._boot,
                time_us=self._clock.since_boot_us() - ago_us,
                position=last_position(connection) + 1,
                new_stream=self._new_uuid,
            )
        if is_new:
            self.entries_added += 1
            self._on_append()
        return is_new

    @on_a_full_disk
    def next_entries(self) -> EntriesToSend | None:
        """The next entries to send, in order; their times are frozen by this. None: there are none now."""
        with self._disk.transaction() as connection:
            return next_entries(connection)

    def entry_streams(self) -> list[EntriesToSend]:
        """The streams of entries that the server may have less of than it said."""
        with self._disk.reading() as connection:
            return entry_streams_to_ask(connection)

    @on_a_full_disk
    def acknowledge_entries(self, stream: str, through: int) -> None:
        """The server has entries 1..through of `stream`; fewer than it said before: the rest goes again."""
        with self._disk.transaction() as connection:
            set_entry_mark(connection, stream, through)

    def entries_waiting(self) -> int:
        """How many entries the server does not have."""
        with self._disk.reading() as connection:
            return count_waiting_entries(connection)

    def entries(self, *, most: int) -> list[KeptEntry]:
        """The entries made last, the newest first."""
        with self._disk.reading() as connection:
            return last_entries(
                connection,
                most=most,
                boot=self._boot,
                since_boot_us=self._clock.since_boot_us(),
                utc_us=self._clock.utc_us(),
            )
