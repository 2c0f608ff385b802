"""
Events that the server has to confirm: losses, damage, new numberings, corrections of a boot.

They are sent with readings, as all events are. But a stream may be forked, a report left out, or no reading
may follow: so they are also sent by themselves, until the server confirms them.
Promises: a confirmation is stored with the id of the server's database, so a restored server gets the events
again. Unconfirmed events of a set-aside file are carried over, where readable.
Leaves to others: sending (`gateway.uplink.loop`), what an answer means (`gateway.uplink.declaring`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, cast

import apsw

from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.pages import read_pages
from cleanside.gateway.spool.state import open_stream
from cleanside.gateway.wire import (
    BOOT_CORRECTED,
    DECLARED,
    MAX_EVENTS_DECLARED,
    DeclaredEvent,
    is_declared,
)

_NOTE: Final = "events_confirmed"  # the database that confirmed them, and the last number
_AT_ONCE: Final = MAX_EVENTS_DECLARED
# `number` is the key, so this begins at the first that may be unconfirmed.
_EVENTS = f"""
SELECT e.number, s.stream, e.at_seq, e.event, e.detail FROM events e JOIN streams s ON s.number = e.stream
WHERE e.number > ? AND ({" OR ".join(f"e.event GLOB '{begin}*'" for begin in (*DECLARED, BOOT_CORRECTED))})
ORDER BY e.number LIMIT {_AT_ONCE}"""


@dataclass(frozen=True, slots=True)
class Unconfirmed:
    """Events to send, and the number of the last of them."""

    events: tuple[DeclaredEvent, ...]
    through: int


def unconfirmed(connection: apsw.Connection, database: str | None) -> Unconfirmed:
    """The next events that this database of the server did not confirm, at most `MAX_EVENTS_DECLARED`."""
    by, through = _confirmed(connection)
    found = connection.execute(_EVENTS, (through if by == database else 0,)).fetchall()
    rows = cast(list[tuple[int, str, int, str, str]], found)
    events = tuple(
        DeclaredEvent(stream=stream, content={"at_seq": at_seq, "event": event} | _object(detail))
        for _, stream, at_seq, event, detail in rows
    )
    return Unconfirmed(events, rows[-1][0] if rows else 0)


def confirm(connection: apsw.Connection, through: int, database: str | None) -> None:
    """Note that this database of the server has all events through that number."""
    set_note(connection, _NOTE, {"database": database, "through": through})


def _confirmed(connection: apsw.Connection) -> tuple[str | None, int]:
    note = _object(read_note(connection, _NOTE))
    return note.get("database"), int(note.get("through", 0))


def _object(text: Any) -> dict[str, Any]:
    """A JSON object; an empty one where it is not as it was written: damage must not stop the rest."""
    with suppress(ValueError, TypeError):
        document = json.loads(text)
        return document if isinstance(document, dict) else {}
    return {}


def carry_over_events(connection: apsw.Connection, aside: Path) -> None:
    """Append to the open stream the unconfirmed declarations of a set-aside file."""
    open_now = open_stream(connection)
    for stream, event, detail in _left_in(aside):
        connection.execute(
            "INSERT INTO events (stream, at_seq, event, detail) VALUES (?, ?, ?, ?)",
            (open_now.number, open_now.appended_through + 1, event, json.dumps(detail | {"stream": stream})),
        )


def _left_in(aside: Path) -> list[tuple[str, str, dict[str, object]]]:
    """Stream, name and detail of declared events in a file that may be damaged; all readable ones."""
    with (
        suppress(apsw.Error, ValueError, KeyError, TypeError, AttributeError),
        closing(apsw.Connection(str(aside), flags=apsw.SQLITE_OPEN_READONLY)) as old,
    ):
        _, through = _confirmed(old)
        found = [(stream, event, detail) for _, stream, _, event, detail in old.execute(_EVENTS, (through,))]
        return _declared(found)
    return _declared(_on_pages(aside))


def _on_pages(aside: Path) -> list[tuple[str, str, str]]:
    """The same where SQLite does not read the file: the pages with events may be whole."""
    pages = read_pages(aside)
    through = int(_object(pages.pairs.get(_NOTE)).get("through", 0))
    streams = {row[0]: row[1] for row in pages.streams}
    rows = sorted((row for row in pages.events if row[0] > through), key=lambda row: row[0])
    return [(streams.get(stream, ""), event, detail) for _, stream, _, event, detail in rows]


def _declared(events: Iterable[tuple[str, str, str]]) -> list[tuple[str, str, dict[str, object]]]:
    """Those that declare a loss; a boot's correction means nothing under another numbering."""
    return [(stream, event, _object(detail)) for stream, event, detail in events if is_declared(event)]
