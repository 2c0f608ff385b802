"""
What people entered at the machine: in a stream of its own beside the readings, sent like them, in order.

Promises: an entry that was added is on disk, under a number that is never given again; the same id is the
same entry, however often it is sent to us. Its time is placed as that of a reading at the same moment, and
frozen before it is sent, so that a resend says the same. The last `KEPT` that the server has stay, for a
server that is restored. Leaves to others: the page (`gateway.beside`), sending
(`gateway.uplink.entry_lane`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple, cast

import apsw

from cleanside.gateway.errors import CalledWrongly
from cleanside.gateway.spool.boots import Placements, load_placements, placement_at
from cleanside.gateway.spool.payload import NotAsWritten, whole
from cleanside.gateway.wire import MAX_ENTRIES, MachineEntry

MOST_WAITING: Final = 1_000  # entries that the server does not have; a person makes a few a day (chosen)
BEFORE_ALL: Final = 0  # position of what was carried over: before the first reading of this file
KEPT: Final = 1_000  # of a stream, that the server has (chosen: as many; 0.5 MB)

_WAITING: Final = f"""SELECT seq, entry_id, position, boot, time_us, uncertainty_s, content, is_whole
FROM entries WHERE stream = ? AND seq > ? ORDER BY seq LIMIT {MAX_ENTRIES}"""
_STREAMS: Final = """SELECT number, stream, acknowledged_through, is_open, is_whole FROM entry_streams
ORDER BY number"""
_LEFT: Final = """SELECT e.entry_id, e.position, e.boot, e.time_us, e.uncertainty_s, e.content FROM entries e
JOIN entry_streams s ON s.number = e.stream WHERE e.seq > s.acknowledged_through AND e.is_whole
ORDER BY e.number"""
_FIRST_SEQ: Final = "SELECT min(seq) FROM entries WHERE stream = ?"
_LAST_SEQ: Final = "SELECT coalesce(max(seq), 0) FROM entries WHERE stream = ?"


class EntryStream(NamedTuple):
    """One numbering of entries."""

    number: int
    stream: str
    acknowledged_through: int
    is_open: int


class EntriesToSend(NamedTuple):
    """The next entries of a stream, in order; none: only the question how far the server has it."""

    stream: str
    #: the lowest number that is kept here: what lies before it cannot be sent again
    kept_from: int
    entries: tuple[MachineEntry, ...]


class KeptEntry(NamedTuple):
    """An entry as the page lists it."""

    entry_id: str
    content: Mapping[str, Any]
    is_at_server: bool
    #: since the work was done [s]; None: not known after a key-off, until something tells the time
    ago_s: float | None


def streams_of_entries(connection: apsw.Connection) -> list[EntryStream]:
    """All streams of entries in the order in which they are sent. Raises NotAsWritten."""
    return [EntryStream(*row) for row in whole("entry_streams", connection.execute(_STREAMS))]


def add_entry(
    connection: apsw.Connection,
    entry_id: str,
    content: Mapping[str, Any],
    *,
    boot: int,
    time_us: int,
    position: int,
    new_stream: Callable[[], str],
) -> bool:
    """
    Keep an entry; False: one with this id is kept already, and stays as it is.

    boot, time_us : when the work was done, since that boot began; may lie before it. position : readings
    appended so far, plus 1. Raises CalledWrongly where too many wait.
    """
    if connection.execute("SELECT count(*) FROM entries WHERE entry_id = ?", (entry_id,)).get:
        return False
    stream = _open_stream(connection, new_stream)
    seq = int(connection.execute(_LAST_SEQ, (stream.number,)).get) + 1
    if seq - stream.acknowledged_through > MOST_WAITING:
        raise CalledWrongly("entries_full", most=MOST_WAITING)
    connection.execute(
        "INSERT INTO entries (stream, seq, entry_id, position, boot, time_us, content) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (stream.number, seq, entry_id, position, boot, time_us, json.dumps(content, ensure_ascii=False)),
    )
    return True


def _open_stream(connection: apsw.Connection, new_stream: Callable[[], str]) -> EntryStream:
    for stream in streams_of_entries(connection):
        if stream.is_open:
            return stream
    connection.execute("INSERT INTO entry_streams (stream) VALUES (?)", (new_stream(),))
    return next(stream for stream in streams_of_entries(connection) if stream.is_open)


def close_entry_streams(connection: apsw.Connection) -> None:
    """New entries go to a new stream: the file is a copy, and its original goes on with the numbers."""
    connection.execute("UPDATE entry_streams SET is_open = 0")


def next_entries(connection: apsw.Connection) -> EntriesToSend | None:
    """
    The next entries whose time is known; None: there are none.

    Their times are frozen by this, in the caller's transaction.
    """
    placements = load_placements(connection)
    for stream in streams_of_entries(connection):
        found = tuple(_frozen(connection, stream, placements))
        if found:
            return EntriesToSend(stream.stream, _kept_from(connection, stream), found)
    return None


def _frozen(
    connection: apsw.Connection, stream: EntryStream, placements: Placements
) -> Iterator[MachineEntry]:
    rows = connection.execute(_WAITING, (stream.number, stream.acknowledged_through)).fetchall()
    for seq, entry_id, position, boot, time_us, uncertainty_s, content in whole("entries", rows):
        if boot is not None:
            placement = placement_at(placements, boot, position)
            if placement is None:
                return  # it waits for its time, and those behind it with it
            uncertainty_s, time_us = placement.uncertainty_s(time_us), placement.at_us(time_us)
            connection.execute(
                "UPDATE entries SET boot = NULL, time_us = ?, uncertainty_s = ? WHERE stream = ? AND seq = ?",
                (time_us, uncertainty_s, stream.number, seq),
            )
        yield MachineEntry(
            seq=seq,
            entry_id=entry_id,
            at_us=time_us,
            at_uncertainty_s=uncertainty_s,
            content=json.loads(content),
        )


def _kept_from(connection: apsw.Connection, stream: EntryStream) -> int:
    first = connection.execute(_FIRST_SEQ, (stream.number,)).get
    return stream.acknowledged_through + 1 if first is None else int(first)


def entry_streams_to_ask(connection: apsw.Connection) -> list[EntriesToSend]:
    """Each stream that has been sent from: a server that was restored may have less of it."""
    return [
        EntriesToSend(stream.stream, _kept_from(connection, stream), ())
        for stream in streams_of_entries(connection)
        if stream.acknowledged_through
    ]


def set_entry_mark(connection: apsw.Connection, stream: str, through: int) -> None:
    """
    The server has entries 1..through of `stream`; fewer than before: the rest goes again.

    What is no longer kept is behind the lowest mark that is set here: the server is not asked for it again.
    """
    row = next((row for row in streams_of_entries(connection) if row.stream == stream), None)
    if row is None:  # the file was replaced while they were on their way
        return
    last = int(connection.execute(_LAST_SEQ, (row.number,)).get)
    mark = max(_kept_from(connection, row) - 1, min(through, last))
    connection.execute(
        "UPDATE entry_streams SET acknowledged_through = ? WHERE number = ?", (mark, row.number)
    )
    connection.execute("DELETE FROM entries WHERE stream = ? AND seq <= ?", (row.number, mark - KEPT))


def last_entries(
    connection: apsw.Connection, *, most: int, boot: int, since_boot_us: int, utc_us: int
) -> list[KeptEntry]:
    """The entries made last, the newest first. boot, since_boot_us, utc_us : of now."""
    query = (
        "SELECT e.entry_id, e.content, e.seq <= s.acknowledged_through, e.boot, e.time_us FROM entries e "
        "JOIN entry_streams s ON s.number = e.stream ORDER BY e.number DESC LIMIT ?"
    )
    now_us = {boot: since_boot_us, None: utc_us}
    return [
        KeptEntry(
            entry_id=str(entry_id),
            content=json.loads(str(content)),
            is_at_server=bool(sent),
            ago_s=max(0, now_us[its_boot] - time_us) / 1e6 if its_boot in now_us else None,
        )
        for entry_id, content, sent, its_boot, time_us in _rows_of(connection, query, (most,))
    ]


def last_entered_us(connection: apsw.Connection, boot: int) -> int | None:
    """When the last entry of a boot was made, since it began [us]; None: none waits for its time."""
    found = connection.execute("SELECT max(time_us) FROM entries WHERE boot = ?", (boot,)).get
    return None if found is None else int(found)


def count_waiting_entries(connection: apsw.Connection) -> int:
    """Entries that the server does not have."""
    query = (
        "SELECT count(*) FROM entries e JOIN entry_streams s ON s.number = e.stream "
        "WHERE e.seq > s.acknowledged_through"
    )
    return int(connection.execute(query).get)


def carry_over_entries(
    connection: apsw.Connection,
    aside: Path,
    *,
    boot_number: Callable[[str], int],
    new_stream: Callable[[], str],
) -> bool:
    """
    Take over what a file that was set aside still has to send, under new numbers. False: it is not readable.

    Their ids stay: an entry that the server has already is the same entry there.
    boot_number : identity of a boot -> its number in the new file.
    """
    left = _left_in(aside)
    if not left:
        return left is not None
    stream = _open_stream(connection, new_stream)
    for entry_id, boot, time_us, uncertainty_s, content in left:
        its_boot = None if boot is None else boot_number(boot)
        seq = int(connection.execute(_LAST_SEQ, (stream.number,)).get) + 1
        connection.execute(
            "INSERT OR IGNORE INTO entries "
            "(stream, seq, entry_id, position, boot, time_us, uncertainty_s, content) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (stream.number, seq, entry_id, BEFORE_ALL, its_boot, time_us, uncertainty_s, content),
        )
    return True


_Left = tuple[str, str | None, int, float | None, str]


def _left_in(aside: Path) -> list[_Left] | None:
    """What the server did not have; boots by identity, placed ones frozen. None: it cannot be read."""
    with (
        suppress(apsw.Error, ValueError, TypeError, KeyError, NotAsWritten),
        closing(apsw.Connection(str(aside), flags=apsw.SQLITE_OPEN_READONLY)) as old,
    ):
        placements = load_placements(old)
        names = {int(number): str(boot) for number, boot in _rows(old, "SELECT number, boot FROM boots")}
        try:
            rows = _rows(old, _LEFT)
        except apsw.SQLError:  # of an earlier version: it has none
            return []
        return [_placed(row, placements, names) for row in rows]
    return None


def _rows(connection: apsw.Connection, query: str) -> list[tuple[Any, ...]]:
    return _rows_of(connection, query, ())


def _rows_of(connection: apsw.Connection, query: str, values: tuple[Any, ...]) -> list[tuple[Any, ...]]:
    return cast(list[tuple[Any, ...]], connection.execute(query, values).fetchall())


def _placed(row: Sequence[Any], placements: Placements, names: Mapping[int, str]) -> _Left:
    entry_id, position, boot, time_us, uncertainty_s, content = row
    placement = None if boot is None else placement_at(placements, boot, position)
    if placement is not None:
        at_us, uncertainty_s = placement.at_us(time_us), placement.uncertainty_s(time_us)
        return entry_id, None, at_us, uncertainty_s, content
    return entry_id, None if boot is None else names[boot], time_us, uncertainty_s, content
