"""
What people call whoever did something, from the handle that answers carry.

Promises: asks the database once a page, and only where a page names somebody.
Leaves to others: the handle itself (`who` and `by` of answers).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from functools import cached_property

import sqlalchemy as sa

from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.store import keys, people
from cleanside.ingest.store.keys import Key

#: not a person and not a key -> words
_PROGRAM_PARTS = ("command", "start", "restore")


class WhoNames:
    """Handle -> display name of a person, or the note of a program's key with its handle."""

    def __init__(
        self,
        reading: Callable[[], AbstractContextManager[sa.Connection]],
        key: Key | None,
        say: Sayer,
        *,
        has_handles: bool = True,
    ) -> None:
        """
        reading : opens a connection. key : of who looks; None: not signed in, and handles stay handles.
        has_handles : the handle of a program's key stands behind its note; not for a technician.
        """
        self._reading = reading
        self._key = key
        self._say = say
        self._has_handles = has_handles

    def __call__(self, who: str) -> str:
        """As people call them; somebody unknown keeps the handle."""
        if self._key is not None and who == self._key.handle:
            return (self._key.note or who) if self._key.is_person else self._program(who, self._key.note)
        if who in _PROGRAM_PARTS:
            return self._say.plain(f"audit.by.{who}")
        return self._by_handle.get(who, who)

    @cached_property
    def _by_handle(self) -> Mapping[str, str]:
        if self._key is None:
            return {}
        with self._reading() as connection:
            persons = people.display_names(connection, self._key.owner_id)
            notes = keys.notes_of(connection, self._key.owner_id)
        programs = {handle: self._program(handle, note) for handle, note in notes.items()}
        return programs | {name: shown for name, shown in persons.items() if shown}

    def _program(self, handle: str, note: str) -> str:
        if not note:
            return self._say.plain("layout.program_unnamed", handle=handle)
        if not self._has_handles:
            return note
        return self._say.plain("layout.program", note=note, handle=handle)
