"""
Files set aside that the spool needs no longer: which goes next, and that it is declared.

Promises: a file goes once it is read to its end, by this spool or one before it; each is declared once.
Leaves to others: when room is needed (`gateway.spool.room`, `gateway.spool.queue`).
"""

from __future__ import annotations

from pathlib import Path

import apsw

from cleanside.gateway.spool.aside import delete, deleted_names, set_aside_files
from cleanside.gateway.spool.carry_back import is_unfinished
from cleanside.gateway.spool.events import Events
from cleanside.gateway.spool.rescue import forget_gone, is_read, superseded, waiting
from cleanside.gateway.spool.unconfirmed import has_event


class DoneAside:
    """Deletes them. The caller has the spool's lock and an open transaction."""

    def __init__(self, path: Path, events: Events) -> None:
        """path : of the spool."""
        self._path = path
        self._events = events
        self._all_needed: list[Path] = []  # the files set aside, once each was found to be needed

    def delete_oldest(self, connection: apsw.Connection) -> int:
        """Delete the oldest file set aside that is not needed. Returns its bytes; 0: there is none."""
        aside = None if is_unfinished(connection) else self._not_needed(connection)
        if aside is None:
            return 0
        if freed_bytes := delete(aside):
            is_read(connection, aside.name)
            self.declare(connection)
        return freed_bytes

    def declare(self, connection: apsw.Connection) -> None:
        """Declare each deleted file once, also one that was deleted so that this spool could be made."""
        forget_gone(connection, self._path)
        for name in deleted_names(self._path):
            if not has_event(connection, "spool_aside_deleted", kept_as=name):
                self._events.tell(connection, "spool_aside_deleted", {"kept_as": name})

    def _not_needed(self, connection: apsw.Connection) -> Path | None:
        """The oldest file set aside that is read to its end, by this spool or one before it."""
        files, unread = set_aside_files(self._path), waiting(connection)
        done = [aside for aside in files if aside.name not in unread]
        if done or files == self._all_needed:
            return done[-1] if done else None
        aside = superseded(self._path)  # slow
        self._all_needed = files if aside is None else []
        return aside
