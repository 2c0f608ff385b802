"""
The state of a spool, read without any change: for `status`, `verify` and the spool itself.

Promises: works on a read-only connection, beside a running gateway; the cost does not grow with the backlog.
Leaves to others: showing it (`gateway.cli`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import apsw

from cleanside.gateway.errors import SpoolDamaged
from cleanside.gateway.spool.boots import load_placements, placement_at
from cleanside.gateway.spool.contradictions import contradicted_by_us
from cleanside.gateway.spool.file_notes import read_note
from cleanside.gateway.spool.payload import whole
from cleanside.gateway.spool.rows import NONE_UNPROTECTED, Row, read_rows
from cleanside.gateway.spool.shed import count_shed

MARKED: Final = "high_mark"  # the note of a file that has had a mark beside it
WARN_SHARE: Final = 0.8  # share of the budget that unacknowledged readings take

# The last used position of a stream: each used number is stored, acknowledged, or shed.
LAST_POSITION: Final = """coalesce(last_position, max(
    first_position - 1 + max(acknowledged_through, sent_through, coalesce(
        (SELECT last FROM shed WHERE shed.stream = streams.number ORDER BY first DESC LIMIT 1), 0)),
    coalesce((SELECT max(position) FROM readings), first_position - 1)))"""
_COLUMNS = f"""
SELECT number, stream, first_position, {LAST_POSITION}, acknowledged_through, sent_through, state, is_whole
FROM streams"""
_HIGHEST = f"SELECT coalesce(max({LAST_POSITION}), 0) FROM streams"
_STREAMS = f"{_COLUMNS} ORDER BY first_position, number"
_OPEN_STREAM = f"{_COLUMNS} WHERE state = 'open'"
_BY_NAME = f"{_COLUMNS} WHERE +stream = ?"  # there are few; an index is one more page that can be damaged
# Of streams with the same first position, as an empty one and the next, the last has the copy.
_COPIES = """SELECT first_position, stream FROM streams AS later WHERE number =
(SELECT max(number) FROM streams WHERE first_position = later.first_position)"""
_CHANGED_COPIES = f"""SELECT (SELECT count(*) FROM (SELECT * FROM stream_copies EXCEPT {_COPIES}))
+ (SELECT count(*) FROM ({_COPIES} EXCEPT SELECT * FROM stream_copies))"""
_MEND_COPIES = f"DELETE FROM stream_copies; INSERT INTO stream_copies {_COPIES}"


@dataclass(frozen=True, slots=True)
class StreamRow:
    """One numbering: seq = position - first_position + 1."""

    number: int
    stream: str
    first_position: int
    last_position: int
    acknowledged_through: int
    sent_through: int
    #: "open": appends go here; "forked": sent to its end under its own numbers; "closed": nothing left to do
    state: str

    @property
    def appended_through(self) -> int:
        """The highest number used in this stream; 0: none yet."""
        return self.last_position - self.first_position + 1

    def position(self, seq: int) -> int:
        """The position of number `seq`."""
        return self.first_position + seq - 1

    def holds(self, position: int) -> bool:
        """True for a position of this stream."""
        return self.first_position <= position <= self.last_position

    def seq(self, position: int) -> int:
        """The number at `position`."""
        return position - self.first_position + 1


def stream_rows(connection: apsw.Connection) -> list[StreamRow]:
    """All streams in the order in which they are sent. Raises NotAsWritten."""
    return [StreamRow(*row) for row in whole("streams", connection.execute(_STREAMS))]


def open_stream(connection: apsw.Connection) -> StreamRow:
    """The stream that takes new readings. Raises SpoolDamaged: a spool always has one."""
    for row in whole("streams", connection.execute(_OPEN_STREAM)):
        return StreamRow(*row)
    raise SpoolDamaged("no_stream_open")


def find_stream(connection: apsw.Connection, stream: str) -> StreamRow | None:
    """The stream of that name; None: there is none."""
    for row in whole("streams", connection.execute(_BY_NAME, (stream,))):
        return StreamRow(*row)
    return None


def holds_any(connection: apsw.Connection, row: StreamRow) -> bool:
    """True where readings of a stream are on disk, acknowledged or not."""
    query = "SELECT EXISTS (SELECT 1 FROM readings WHERE position BETWEEN ? AND ?)"
    return bool(connection.execute(query, (row.first_position, row.last_position)).get)


def last_position(connection: apsw.Connection) -> int:
    """The highest position ever used; 0: none yet."""
    return max(0, int(connection.execute(_HIGHEST).get))


def changed_copies(connection: apsw.Connection) -> int:
    """How many of the second copies of the streams' names are missing, or differ from their stream."""
    return int(connection.execute(_CHANGED_COPIES).get)


def mend_copies(connection: apsw.Connection) -> None:
    """Write the second copies of the streams' names again where one changed. The streams must be sound."""
    if changed_copies(connection):
        connection.execute(_MEND_COPIES)


def is_marked(connection: apsw.Connection) -> bool:
    """True if the file has had a high-water mark beside it."""
    return bool(connection.execute("SELECT count(*) FROM notes WHERE name = ?", (MARKED,)).get)


def unprotected_through(connection: apsw.Connection) -> int:
    """The position up to which readings have no checksum: an earlier version wrote them."""
    value = read_note(connection, "unprotected_through")
    return NONE_UNPROTECTED if value is None else int(json.loads(value))


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamState:
    """The state of one stream."""

    stream: str
    state: str
    acknowledged_through: int
    sent_through: int
    appended_through: int
    #: shed numbers above the mark that the server may not know of yet
    shed_waiting: int

    @property
    def backlog(self) -> int:
        """Unacknowledged readings."""
        return self.appended_through - self.acknowledged_through - self.shed_waiting


@dataclass(frozen=True, kw_only=True, slots=True)
class BootState:
    """How well the running boot is tied to UTC."""

    boot: str
    #: source of its time: "gps", "ntp", "server" ...; None: not known yet, its readings wait
    anchor: str | None
    #: at the anchor [s]; None: not known yet
    uncertainty_s: float | None
    #: how far an answer of the server is after the time of this boot [s]; None: nothing contradicts it
    contradicted_by_s: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class SpoolState:
    """The state of a spool."""

    path: str
    device: str
    installation: str
    streams: Sequence[StreamState]
    #: when the oldest waiting reading was measured [us since 1970]; None: none waits, or not placed yet
    oldest_at_us: int | None
    #: the oldest reading waits for a clock that can be trusted
    waits_for_anchor: bool
    boot: BootState | None
    boots_not_placed: int
    #: readings on disk, acknowledged or not
    held: int
    used_bytes: int
    file_bytes: int
    #: None: read beside a running gateway that did not write it
    budget_bytes: int | None
    #: UTC day -> bytes up, bytes down
    traffic: Mapping[str, tuple[int, int]]
    notes: Mapping[str, Any]

    @property
    def backlog(self) -> int:
        """Unacknowledged readings, over all streams."""
        return sum(stream.backlog for stream in self.streams)

    @property
    def waiting_share(self) -> float | None:
        """Share of the budget that waiting readings take, 0 to 1 and beyond; None: no budget known."""
        if not self.budget_bytes:
            return None
        return min(1.0, self.backlog / max(1, self.held)) * self.used_bytes / self.budget_bytes


def read_state(connection: apsw.Connection, *, path: Path, budget_bytes: int | None = None) -> SpoolState:
    """Read the state of the spool behind `connection`."""
    rows = stream_rows(connection)
    notes = {name: json.loads(value) for name, value in connection.execute("SELECT name, value FROM notes")}
    oldest = _oldest(connection, rows)
    oldest_at_us = None if oldest is None else _when_us(connection, oldest)
    page_bytes, pages, free = (
        int(connection.execute(f"PRAGMA {name}").get)
        for name in ("page_size", "page_count", "freelist_count")
    )
    unplaced = "SELECT count(*) FROM boots WHERE number NOT IN (SELECT boot FROM placements)"
    return SpoolState(
        path=str(path),
        device=notes.pop("device", ""),
        installation=notes.pop("installation", ""),
        streams=[_stream_state(connection, row) for row in rows],
        oldest_at_us=oldest_at_us,
        waits_for_anchor=oldest is not None and oldest_at_us is None,
        boot=_boot(connection),
        boots_not_placed=connection.execute(unplaced).get,
        held=sum(_held(connection, row) for row in rows),
        used_bytes=(pages - free) * page_bytes,
        file_bytes=pages * page_bytes,
        budget_bytes=budget_bytes if budget_bytes is not None else notes.get("budget_bytes"),
        traffic={
            day: (up, down)
            for day, up, down in connection.execute(
                "SELECT day, up_bytes, down_bytes FROM traffic ORDER BY day"
            )
        },
        notes=notes,
    )


def _held(connection: apsw.Connection, row: StreamRow) -> int:
    """Readings of a stream on disk, without counting rows: from the oldest on, less shed numbers."""
    oldest = connection.execute(
        "SELECT min(position) FROM readings WHERE position BETWEEN ? AND ?",
        (row.first_position, row.last_position),
    ).get
    if oldest is None:
        return 0
    first = row.seq(int(oldest))
    return row.appended_through - first + 1 - count_shed(connection, row.number, first, row.appended_through)


def _stream_state(connection: apsw.Connection, row: StreamRow) -> StreamState:
    return StreamState(
        stream=row.stream,
        state=row.state,
        acknowledged_through=row.acknowledged_through,
        sent_through=row.sent_through,
        appended_through=row.appended_through,
        shed_waiting=count_shed(connection, row.number, row.acknowledged_through + 1, row.appended_through),
    )


def _oldest(connection: apsw.Connection, rows: Sequence[StreamRow]) -> Row | None:
    for row in rows:
        found = read_rows(connection, row.position(row.acknowledged_through + 1), row.last_position, limit=1)
        if found:
            return found[0]
    return None


def _when_us(connection: apsw.Connection, row: Row) -> int | None:
    if row[1] is None:
        return row[2]
    placement = placement_at(load_placements(connection), row[1], row[0])
    return None if placement is None else placement.at_us(row[2])


def _boot(connection: apsw.Connection) -> BootState | None:
    row = connection.execute(
        "SELECT b.number, b.boot, p.kind, p.uncertainty_us "
        "FROM boots b LEFT JOIN placements p ON p.boot = b.number "
        "ORDER BY b.number DESC, p.first_position DESC LIMIT 1"
    ).get
    if row is None:
        return None
    number, boot, kind, uncertainty_us = row
    by_us = contradicted_by_us(connection, number)
    return BootState(
        boot=boot,
        anchor=kind,
        uncertainty_s=None if uncertainty_us is None else uncertainty_us / 1e6,
        contradicted_by_s=None if by_us is None else by_us / 1e6,
    )
