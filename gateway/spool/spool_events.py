"""
Events and notes of a spool: what tells the server more than readings do, and what `status` shows.

Leaves to others: rows of events (`gateway.spool.events`), which are confirmed (`gateway.spool.unconfirmed`),
notes of the file (`gateway.spool.file_notes`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.payload import whole
from cleanside.gateway.spool.spool_on_disk import SpoolOnDisk, on_a_full_disk
from cleanside.gateway.spool.unconfirmed import Unconfirmed, confirm, unconfirmed


class SpoolEvents(SpoolOnDisk):
    """The verbs of events, notes and traffic; an event by itself is stored by `event`."""

    @property
    def events_added(self) -> int:
        """Events since this process opened the file, so that the uplink need not query."""
        return self._events.added

    def unconfirmed(self, database: str | None) -> Unconfirmed:
        """The next events that the server has to confirm. database : its id, if the server sent one."""
        with self._disk.reading() as connection:
            return unconfirmed(connection, database)

    @on_a_full_disk
    def confirm(self, through: int, database: str | None) -> None:
        """Note that the server's database has every event through that number."""
        with self._disk.transaction() as connection:
            confirm(connection, through, database)

    @on_a_full_disk
    def declare(self, event: str, content: Mapping[str, Any], *, note: tuple[str, object]) -> None:
        """Store an event for the server, with an id of its own, and a note of the file with it."""
        with self._disk.transaction() as connection:
            self._events.add(connection, event, {**content, "id": self._new_uuid()})
            set_note(connection, *note)
        self._on_append()

    @on_a_full_disk
    def note(self, name: str, value: object) -> None:
        """Store a note that `status` shows."""
        with self._disk.transaction() as connection:
            set_note(connection, name, value)
            self._traffic.write(connection)

    def noted(self, name: str) -> Any:
        """A note that was stored; None: there is none."""
        with self._disk.reading() as connection:
            text = read_note(connection, name)
        return None if text is None else json.loads(text)

    def mark(self, source: str) -> str | None:
        """The position of `source` with its last append; None: it has not begun."""
        with self._disk.reading() as connection:
            query = "SELECT mark, is_whole FROM source_marks WHERE source = ?"
            for (mark,) in whole("source_marks", connection.execute(query, (source,))):
                return str(mark)
            return None

    def count_traffic(self, *, up_bytes: int, down_bytes: int) -> None:
        """Count bytes on the link by day; written with the next acknowledgement, to spare the disk."""
        with self._disk.lock:
            self._traffic.count(self._clock.utc_us(), up_bytes=up_bytes, down_bytes=down_bytes)
