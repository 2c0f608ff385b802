"""
Readings that sources lost before they had a number, until an event on disk declares them.

Promises: a loss is declared once. Where the disk takes no event, the count goes to the mark's file, which has
its room already: so a start after a kill declares it. A kill while the disk takes nothing at all takes the
count with it.
Leaves to others: what is lost (`gateway.commands.feed`), events (`gateway.spool.unconfirmed`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any, Final

import apsw

from cleanside.gateway.spool.high_mark import HighMark, LossNote
from cleanside.gateway.spool.unconfirmed import add_as_sent, has_event

LOST: Final = "readings_lost"


class Losses:
    """What no event declares yet. The caller has the spool's lock."""

    def __init__(self, mark: HighMark, new_identity: Callable[[], str]) -> None:
        self._mark = mark
        self._new_identity = new_identity
        self._by_source = Counter[str]()
        #: of what is not declared yet; "": nothing is
        self._identity = ""
        self._noted = 0  # of it, in the mark's file

    @property
    def by_source(self) -> Mapping[str, int]:
        """Source -> how many readings."""
        return self._by_source

    def add(self, source: str, count: int) -> None:
        """So many readings of a source are lost."""
        self._by_source[source] += count
        self._identity = self._identity or self._new_identity()

    def events(self) -> list[dict[str, Any]]:
        """One event for each source. The id distinguishes losses of the same size at the same number."""
        return [
            {"source": source, "count": count, "id": self._identity}
            for source, count in self._by_source.items()
        ]

    def are_declared(self) -> None:
        """Their events are on disk."""
        if self._noted:
            self._mark.clear_loss()
        self._by_source.clear()
        self._identity, self._noted = "", 0

    def note(self, count: int) -> tuple[LossNote, bool]:
        """Note so many lost readings in the mark's file. Returns the note; False: it is not on disk."""
        self._identity = self._identity or self._new_identity()
        note = LossNote(self._identity, count)
        if count != self._noted:
            self._noted = count if self._mark.note_loss(note) else 0
        return note, bool(self._noted)

    def declare_noted(self, connection: apsw.Connection, note: LossNote | None) -> dict[str, Any] | None:
        """
        Add the event of a noted loss; None: it is declared already, or still counted here.

        It is the event that a stop sends to the server, so that the server has it once.
        """
        self._noted = 0
        if note is None or note.identity == self._identity or has_event(connection, LOST, id=note.identity):
            return None
        content = noted_loss(note)
        add_as_sent(connection, LOST, content)
        return content


def noted_loss(note: LossNote) -> dict[str, Any]:
    """The members of the event that declares a noted loss."""
    return {"count": note.count, "at": "stop", "id": note.identity}
