"""
Small things that the spool's file notes by name: what was declared, confirmed, set aside, shown by `status`.

Promises: a note that is set replaces the one of its name, in the caller's transaction.
Leaves to others: what a note means (each in the file that sets it).
"""

from __future__ import annotations

import json
from typing import Final

import apsw

#: the note with the open question about a boot's time (`gateway.spool.contradictions`)
TIME_IN_QUESTION: Final = "time_in_question"


def read_note(connection: apsw.Connection, name: str) -> str | None:
    """The JSON text of a note, as it stands in the file; None: there is none of that name."""
    text: str | None = connection.execute("SELECT value FROM notes WHERE name = ?", (name,)).get
    return text


def drop_note(connection: apsw.Connection, name: str) -> None:
    """Delete a note, if it is there."""
    connection.execute("DELETE FROM notes WHERE name = ?", (name,))


def set_note(connection: apsw.Connection, name: str, value: object) -> None:
    """Set a note. value : as JSON takes it."""
    connection.execute(
        "INSERT INTO notes VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, json.dumps(value)),
    )
