"""
Events that the server has to confirm: losses, damage, new numberings, corrections of a boot.

They are sent with readings, as all events are. But a stream may be forked, a report left out, or no reading
may follow: so they are also sent by themselves, until the server confirms them.
Promises: a confirmation is stored with the id of the server's database, so a restored server gets the events
again. A set-aside file's events are carried over, where readable, with the database that confirmed them. Each
is sent as it was at first, so the server recognises it, from whichever file it comes.
Leaves to others: sending (`gateway.uplink.loop`), what an answer means (`gateway.uplink.declaring`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
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
    SENT_FIRST,
    DeclaredEvent,
    as_sent_first,
    is_declared,
)

_NOTE: Final = "events_confirmed"  # the database that confirmed them, and the last number
_BY: Final = "confirmed_by"  # member of a carried-over event's detail: the database that confirmed it
_IN_NO_BATCH: Final = 0  # the number of a confirmed event here: batches begin at 1
# `number` is the key, so this begins at the first that may be unconfirmed.
_EVENTS = f"""
SELECT e.number, s.stream, e.at_seq, e.event, e.detail FROM events e JOIN streams s ON s.number = e.stream
WHERE e.number > ? AND ({" OR ".join(f"e.event GLOB '{begin}*'" for begin in (*DECLARED, BOOT_CORRECTED))})
AND CASE WHEN json_valid(e.detail) THEN e.detail ->> '$.{_BY}' END IS NOT ?
ORDER BY e.number LIMIT ?"""
_EventRow = tuple[int, str, int, str, str]  # number, stream, at_seq, event, detail
_NO_LIMIT: Final = -1  # sqlite.org/lang_select.html: a negative LIMIT is none


@dataclass(frozen=True, slots=True)
class Unconfirmed:
    """Events to send, and the number of the last of them."""

    events: tuple[DeclaredEvent, ...]
    through: int


def unconfirmed(connection: apsw.Connection, database: str | None) -> Unconfirmed:
    """The next events that this database of the server did not confirm, at most `MAX_EVENTS_DECLARED`."""
    by, through = _confirmed(connection)
    after = through if by == database else 0
    found = connection.execute(_EVENTS, (after, database or "", MAX_EVENTS_DECLARED)).fetchall()
    rows = cast(list[_EventRow], found)
    return Unconfirmed(tuple(_as_sent(row) for row in rows), rows[-1][0] if rows else 0)


def _as_sent(row: _EventRow) -> DeclaredEvent:
    _, stream, at_seq, event, detail = row
    return as_sent_first(stream, content_of(at_seq, event, _object(detail)))


def content_of(at_seq: int, event: str, detail: Mapping[str, Any]) -> dict[str, Any]:
    """An event in the form of a batch."""
    members = {name: value for name, value in detail.items() if name != _BY}
    return {"at_seq": at_seq, "event": event} | members


def confirm(connection: apsw.Connection, through: int, database: str | None) -> None:
    """Note that this database of the server has all events through that number."""
    set_note(connection, _NOTE, {"database": database, "through": through})


def _confirmed(connection: apsw.Connection) -> tuple[str | None, int]:
    return _confirmed_in(read_note(connection, _NOTE))


def _confirmed_in(note: Any) -> tuple[str | None, int]:
    """The database that confirmed events, and the number of the last one."""
    said = _object(note)
    return said.get("database"), int(said.get("through", 0))


def _object(text: Any) -> dict[str, Any]:
    """A JSON object; an empty one where it is not as it was written: damage must not stop the rest."""
    with suppress(ValueError, TypeError):
        document = json.loads(text)
        return document if isinstance(document, dict) else {}
    return {}


def carry_over_events(connection: apsw.Connection, set_aside: Iterable[Path]) -> None:
    """
    Take over the declarations of set-aside files, each once: a file has those of the files before it too.

    The confirmed ones as well: a restored server may have lost them. set_aside : the newest file first.
    """
    known = set()
    for aside in set_aside:
        for event, detail in _left_in(aside):
            identity = event, json.dumps(content_of(0, event, detail), sort_keys=True)
            if identity not in known:
                known.add(identity)
                _add(connection, event, detail)


def add_as_sent(connection: apsw.Connection, event: str, members: Mapping[str, Any]) -> None:
    """Add an event that may have been sent already, without a stream and a number."""
    _add(connection, event, {**members, SENT_FIRST: {"stream": None, "at_seq": None}})


def _add(connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
    taking = open_stream(connection)
    at_seq = _IN_NO_BATCH if _BY in detail else taking.appended_through + 1
    connection.execute(
        "INSERT INTO events (stream, at_seq, event, detail) VALUES (?, ?, ?, ?)",
        (taking.number, at_seq, event, json.dumps(detail)),
    )


def has_event(connection: apsw.Connection, event: str, **member: str) -> bool:
    """True if the file has an event of that name with this member."""
    [(name, value)] = member.items()
    query = "SELECT detail FROM events WHERE event = ?"
    return any(_object(detail).get(name) == value for (detail,) in connection.execute(query, (event,)))


#: name and detail, which says how it was sent at first
_Carried = tuple[str, dict[str, Any]]


def _left_in(aside: Path) -> list[_Carried]:
    """The declared events of a file that may be damaged; all readable ones."""
    with (
        suppress(apsw.Error, ValueError, KeyError, TypeError, AttributeError),
        closing(apsw.Connection(str(aside), flags=apsw.SQLITE_OPEN_READONLY)) as old,
    ):
        return _carried(
            cast(list[_EventRow], old.execute(_EVENTS, (0, "", _NO_LIMIT)).fetchall()), _confirmed(old)
        )
    return _on_pages(aside)


def _on_pages(aside: Path) -> list[_Carried]:
    """The same where SQLite does not read the file: the pages with events may be whole."""
    pages = read_pages(aside)
    streams = {row[0]: row[1] for row in pages.streams}
    rows = [(row[0], streams.get(row[1], ""), *row[2:]) for row in sorted(set(pages.events))]
    return _carried(rows, _confirmed_in(pages.pairs.get(_NOTE)))


def _carried(rows: Iterable[_EventRow], confirmed: tuple[str | None, int]) -> list[_Carried]:
    """Declarations, and corrections of a boot: these mean something under their own stream alone."""
    database, through = confirmed
    carried = []
    for number, stream, at_seq, event, detail in rows:
        if is_declared(event) or (event == BOOT_CORRECTED and stream):
            first = {SENT_FIRST: {"stream": stream or None, "at_seq": at_seq}}
            by = {_BY: database or ""} if number <= through else {}
            carried.append((event, first | _object(detail) | by))
    return carried
