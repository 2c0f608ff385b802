"""
A damaged or vanished spool: send its readable readings under their own numbers.

SQLite reads what it can; the rest comes from the pages themselves (`gateway.spool.pages`), so damage to the
first page or to an inner one costs only that page.

Promises: the old file is not changed. Collection continues in the new file at once. Each number above the
old mark is either carried over with its time, or declared shed, reason `damaged`. Readings below it stay in
the old file, and come from there if the server loses them (`gateway.spool.carry_back`). The work goes in
small transactions and continues after a restart.
Leaves to others: detecting damage, room for the work (`gateway.spool.queue`), names and deletion of such
files (`gateway.spool.aside`), sending (`gateway.uplink.loop`).

Salvaged streams have negative positions in the new file, in front of all others. AUTOINCREMENT never uses
these, because it continues from the highest.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import apsw

from cleanside.gateway.spool.aside import number_of, set_aside_files
from cleanside.gateway.spool.boots import Placements, load_placements, placements_of
from cleanside.gateway.spool.checksum import unit_seed
from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.high_mark import read_mark
from cleanside.gateway.spool.new_rows import UnwrittenRows, insert_rows
from cleanside.gateway.spool.pages import Pages, read_pages
from cleanside.gateway.spool.payload import NotAsWritten, UnitSet, read_unit_set, write_unit_set
from cleanside.gateway.spool.rows import NONE_UNPROTECTED, Row, frozen, is_sound, read_rows
from cleanside.gateway.spool.shed import declare, shed_within
from cleanside.gateway.spool.state import StreamRow, find_stream
from cleanside.gateway.spool.upgrade import SUMS_SINCE
from cleanside.gateway.wire import ShedRange

DAMAGED_REASON: Final = "damaged"
NOTE: Final = "salvage"  # note of the files that are not read to their end yet
_KNOWN_NOTE: Final = "set_aside"  # note of all files that were ever set aside
PIECE: Final = 500  # numbers a transaction: their readings fit the smallest log (chosen)
PIECE_BYTES: Final = 32 * 2**10  # about what a piece takes in the tables
_FAR: Final = 2**40  # positions between two salvaged streams: more numbers than any stream will have
_UNREADABLE: Final = (apsw.Error, UnicodeDecodeError, TypeError)  # errors of reading a damaged table


def find_new(connection: apsw.Connection, path: Path) -> list[Path]:
    """
    Set-aside files that this spool did not know of; from now on they have to be read.

    Found by name, so that a power cut between setting aside and beginning the new file loses nothing.
    """
    names = set(_names(connection, _KNOWN_NOTE))
    new = sorted(p for p in set_aside_files(path) if p.name not in names)
    if new:
        set_note(connection, _KNOWN_NOTE, sorted(names | {p.name for p in new}))
        set_note(connection, NOTE, [*waiting(connection), *(p.name for p in new)])
    for aside in new:
        _copy_marks(connection, aside)
    return new


def superseded(path: Path, *, by: Sequence[Path] = ()) -> Path | None:
    """The oldest set-aside file that a newer one has read to its end, or one of `by`; None: there is none."""
    files = set_aside_files(path)
    for aside in reversed(files):
        newer = [*by, *(other for other in files if number_of(other) > number_of(aside))]
        if any(_has_read(other, aside.name) for other in newer):
            return aside
    return None


def _has_read(spool: Path, name: str) -> bool:
    with _opened(spool) as old:
        rows = _rows(old, "name, value", "notes")
    notes = read_pages(spool).pairs if rows is None else dict(rows)
    try:
        return name in json.loads(notes[_KNOWN_NOTE]) and name not in json.loads(notes.get(NOTE, "[]"))
    except (KeyError, TypeError, ValueError):
        return False


def forget_gone(connection: apsw.Connection, path: Path) -> None:
    """Forget set-aside files that are not there any more: one that is put back is read then."""
    there = {aside.name for aside in set_aside_files(path)}
    names = _names(connection, _KNOWN_NOTE)
    if not there.issuperset(names):
        set_note(connection, _KNOWN_NOTE, [name for name in names if name in there])


@dataclass(frozen=True, slots=True)
class _Old:
    """The readable content of the old file beside its readings."""

    streams: Sequence[StreamRow]
    unit_sets: Mapping[int, UnitSet]
    #: the same from their copies: the readings' sums show which one is right
    unit_copies: Mapping[int, UnitSet]
    unprotected_through: int
    placements: Placements
    boots: Mapping[int, str]
    pages: Pages


def is_end_known(aside: Path) -> bool:
    """True if the last number of a set-aside file is known from outside it."""
    try:
        with aside.open("rb") as file:
            version = int.from_bytes(file.read(64)[60:], "big")
    except OSError:
        return False
    return 0 < version < SUMS_SINCE or read_mark(aside) is not None  # before there were marks a table counted


def _copy_marks(connection: apsw.Connection, aside: Path) -> None:
    """Copy the position of each source, where readable, so that none sends its readings again."""
    with _opened(aside) as old:
        marks = _rows(old, "source, mark", "source_marks")
    if marks is None:
        marks = list(read_pages(aside).pairs.items())  # the notes among them are marks that are never read
    connection.executemany("INSERT OR IGNORE INTO source_marks VALUES (?, ?)", marks)


def waiting(connection: apsw.Connection) -> list[str]:
    """Names of the files that are not read to their end yet."""
    return _names(connection, NOTE)


def unread(connection: apsw.Connection, path: Path) -> list[str]:
    """Names of the set-aside files that this spool has not read to their end, also those new to it."""
    read = set(_names(connection, _KNOWN_NOTE)).difference(waiting(connection))
    return [aside.name for aside in set_aside_files(path) if aside.name not in read]


def is_read(connection: apsw.Connection, name: str) -> None:
    """A file was read to its end."""
    set_note(connection, NOTE, [other for other in waiting(connection) if other != name])


def _names(connection: apsw.Connection, note: str) -> list[str]:
    value = read_note(connection, note)
    return [] if value is None else list(json.loads(value))


def salvage(connection: apsw.Connection, pages: Pages) -> bool:
    """
    Carry over some numbers of a set-aside file, in the caller's transaction. False: nothing is left.

    pages : of that file, read before.
    """
    with _opened(pages.path) as old:
        old_rows = _read_old(old, pages)
        for stream in old_rows.streams:
            if stream.acknowledged_through < stream.appended_through and _carry_over(
                connection, old, old_rows, stream
            ):
                return True
            if stream.acknowledged_through and stream.state != "closed":  # the server may have to ask for it
                _salvaged(connection, stream)
    return False


def _carry_over(
    connection: apsw.Connection, old: apsw.Connection | None, known: _Old, stream: StreamRow
) -> bool:
    new = _salvaged(connection, stream)
    first = new.appended_through + 1
    last = min(first + PIECE - 1, stream.appended_through)
    if first > last:
        return False
    held = _insert_sound(connection, old, known, stream, new, (first, last))
    _declare_missing(connection, _shed_before(old, known.pages, stream, first, last), new, held, first, last)
    connection.execute(
        "UPDATE streams SET last_position = ? WHERE number = ?", (new.position(last), new.number)
    )
    return True


def _insert_sound(
    connection: apsw.Connection,
    old: apsw.Connection | None,
    known: _Old,
    stream: StreamRow,
    new: StreamRow,
    span: tuple[int, int],
    *,
    without: Set[int] = frozenset(),
) -> set[int]:
    """Insert the readings of a span of numbers that are as they were written. Returns their numbers."""
    held = set()
    for row in _readable(old, known.pages, stream.position(span[0]), stream.position(span[1])):
        seq = stream.seq(row[0])
        for unit_sets in () if seq in without else (known.unit_sets, known.unit_copies):
            if is_sound(
                row, unit_sets, stream=stream.stream, seq=seq, unprotected_through=known.unprotected_through
            ):
                _insert(connection, replace(known, unit_sets=unit_sets), row, new, new.position(seq))
                held.add(seq)
                break
    return held


def is_salvaged(stream: StreamRow) -> bool:
    """A stream of a file that was set aside: what was acknowledged of it is still there, if anywhere."""
    return stream.first_position < 0


def carry_back(connection: apsw.Connection, pages: Pages, new: StreamRow, first: int, last: int) -> None:
    """
    Insert readings first..last of a salvaged stream that the server had and lost, as far as they are missing.

    pages : of a file that was set aside, read before. In the caller's transaction.
    """
    query = "SELECT position FROM readings WHERE position BETWEEN ? AND ?"
    there = {
        new.seq(position)
        for (position,) in connection.execute(query, (new.position(first), new.position(last)))
    }
    for entry in shed_within(connection, new.number, first, last):  # given up for good
        there.update(range(entry.first, entry.last + 1))
    if len(there) > last - first:
        return
    with _opened(pages.path) as old:
        known = _read_old(old, pages)
        stream = next((row for row in known.streams if row.stream == new.stream), None)
        if stream is not None:
            _insert_sound(connection, old, known, stream, new, (first, last), without=there)


def _salvaged(connection: apsw.Connection, stream: StreamRow) -> StreamRow:
    """The row of a salvaged stream in the new file; made at first use."""
    row = find_stream(connection, stream.stream)
    return row or _new_salvaged(connection, stream)


def add_salvaged(connection: apsw.Connection, stream: str, through: int) -> None:
    """Declare numbers 1..through of a stream without any rows left. No change if the stream is known."""
    if find_stream(connection, stream) is None:
        new = _new_salvaged(connection, StreamRow(0, stream, 1, through, 0, 0, "forked"))
        declare(connection, new.number, 1, through, DAMAGED_REASON)
        connection.execute(
            "UPDATE streams SET last_position = ? WHERE number = ?", (new.position(through), new.number)
        )


def _new_salvaged(connection: apsw.Connection, stream: StreamRow) -> StreamRow:
    lowest = connection.execute("SELECT min(first_position) FROM streams").get
    first = min(0, int(lowest)) // _FAR * _FAR - _FAR + 1
    mark = stream.acknowledged_through
    connection.execute(
        "INSERT INTO streams (stream, first_position, last_position, acknowledged_through, sent_through, "
        "state) VALUES (?, ?, ?, ?, ?, 'forked')",
        (stream.stream, first, first + mark - 1, mark, max(mark, stream.sent_through)),
    )
    row = find_stream(connection, stream.stream)
    assert row is not None
    return row


def _insert(connection: apsw.Connection, known: _Old, row: Row, new: StreamRow, position: int) -> None:
    boot, time_us, uncertainty_s = _frozen(known, row)
    if boot is not None:
        boot = boot_before(connection, known.boots.get(boot, f"unreadable-{boot}"), position)
        connection.execute(
            "UPDATE boots SET ended_us = max(ended_us, ?) WHERE number = ? AND ended_us IS NOT NULL",
            (time_us, boot),
        )
    unit_set = known.unit_sets[row[4]]
    number = _unit_set(connection, unit_set)
    written = UnwrittenRows()
    written.add(boot, time_us, uncertainty_s, number, row[5], seed=unit_seed(unit_set))
    insert_rows(connection, new, position, written)


def _frozen(known: _Old, row: Row) -> tuple[int | None, int, float | None]:
    """Boot, time and uncertainty of a reading: a time of its own if its boot was placed."""
    with suppress(NotAsWritten):  # the placement is not: the reading waits with its boot
        return frozen(row, known.placements, known.unit_sets)
    return row[1], row[2], row[3]


def boot_before(connection: apsw.Connection, boot: str, position: int) -> int:
    """The number of a boot by its identity; one that this file does not know is put before all others."""
    number = connection.execute("SELECT number FROM boots WHERE boot = ?", (boot,)).get
    if number is None:
        # Before all others: boots are numbered in the order of time, and this one is older than the new file.
        connection.execute(
            "INSERT INTO boots SELECT coalesce(min(number), 1) - 1, ?, ?, 0, NULL FROM boots",
            (boot, position),
        )
        number = connection.execute("SELECT number FROM boots WHERE boot = ?", (boot,)).get
    return int(number)


def _unit_set(connection: apsw.Connection, unit_set: UnitSet) -> int:
    text = write_unit_set(unit_set)
    connection.execute("INSERT INTO unit_sets (layout, units) VALUES (1, ?) ON CONFLICT DO NOTHING", (text,))
    return int(connection.execute("SELECT number FROM unit_sets WHERE units = ?", (text,)).get)


def _declare_missing(
    connection: apsw.Connection,
    before: Sequence[ShedRange],
    new: StreamRow,
    held: set[int],
    first: int,
    last: int,
) -> None:
    """Declare earlier shed ranges with their reason, and all other missing numbers, reason `damaged`."""
    for entry in before:
        if not held & set(range(entry.first, entry.last + 1)):
            declare(connection, new.number, entry.first, entry.last, entry.reason)
    begin = None
    for seq in range(first, last + 2):
        if seq <= last and seq not in held:
            begin = begin or seq
        elif begin is not None:
            declare(connection, new.number, begin, seq - 1, DAMAGED_REASON)
            begin = None


# ---------------------------------------------------------------- reading a damaged file


class _opened:
    """The old file, opened read-only; None where it cannot be opened at all."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection: apsw.Connection | None = None

    def __enter__(self) -> apsw.Connection | None:
        with suppress(apsw.Error):
            self._connection = apsw.Connection(str(self._path), flags=apsw.SQLITE_OPEN_READONLY)
            self._connection.execute("SELECT count(*) FROM sqlite_schema").get  # noqa: B018 - reads the first page
            return self._connection
        return None

    def __exit__(self, *_: object) -> None:
        if self._connection is not None:
            with suppress(apsw.Error):
                self._connection.close(True)


def _rows(old: apsw.Connection | None, columns: str, table: str) -> list[tuple[Any, ...]] | None:
    """All rows of a table that are as they were written; None where they cannot all be read."""
    for condition in (" WHERE is_whole", ""):
        try:
            return (
                None if old is None else old.execute(f"SELECT {columns} FROM {table}{condition}").fetchall()
            )
        except apsw.SQLError:  # an earlier version made the file, and its rows have no sums
            continue
        except _UNREADABLE:
            return None
    return None


def _readable(old: apsw.Connection | None, pages: Pages, first: int, last: int) -> list[Row]:
    """The readable readings at positions first..last, from SQLite or from pages."""
    rows: list[Row] = []
    if old is not None:
        with suppress(*_UNREADABLE):
            rows = read_rows(old, first, last)
    if len(rows) == last - first + 1:
        return rows
    by_position = {row[0]: row for row in [*pages.readings(first, last), *rows]}
    return [by_position[position] for position in sorted(by_position)]


def _shed_before(
    old: apsw.Connection | None, pages: Pages, stream: StreamRow, first: int, last: int
) -> list[ShedRange]:
    """The shed ranges within first..last."""
    if old is not None:
        with suppress(*_UNREADABLE):
            return shed_within(old, stream.number, first, last)
    return [
        ShedRange(max(first, begin), min(last, end), reason)
        for number, begin, end, reason in pages.shed
        if number == stream.number and begin <= last and end >= first
    ]


def _read_old(old: apsw.Connection | None, pages: Pages) -> _Old:
    placements: Placements | None = None
    if old is not None:
        with suppress(*_UNREADABLE, NotAsWritten):
            placements = load_placements(old)
    if placements is None:
        placements = placements_of(sorted(pages.placements))
    boots: dict[int, str] = dict(_rows(old, "number, boot", "boots") or pages.boots)
    unit_sets = _unit_sets(_rows(old, "number, units", "unit_sets") or pages.unit_sets.items())
    copies = _unit_sets(pages.unit_copies.items())
    return _Old(_streams(old, pages), unit_sets, copies, _unprotected(pages), placements, boots, pages)


def _unit_sets(rows: Iterable[tuple[Any, ...]]) -> dict[int, UnitSet]:
    unit_sets: dict[int, UnitSet] = {}
    for number, units in rows:
        with suppress(ValueError, TypeError):
            unit_sets[number] = read_unit_set(units)
    return unit_sets


def _unprotected(pages: Pages) -> int:
    """The position up to which readings of the old file have no sum."""
    if pages.version < SUMS_SINCE:
        return 2**63 - 1
    said = pages.pairs.get("unprotected_through", "")
    return int(said) if said.isdecimal() else NONE_UNPROTECTED


def _streams(old: apsw.Connection | None, pages: Pages) -> list[StreamRow]:
    """The streams of the old file: from the table, from its page, or from the copies, which have no mark."""
    columns = "number, stream, first_position, last_position, acknowledged_through, sent_through, state"
    rows: list[tuple[Any, ...]] = list(_rows(old, columns, "streams") or pages.streams)
    # Readings of a stream that only the copies have are sent again; the server recognises repeats.
    names = sorted(pages.names.items())
    ends = [pages.last_within(first, after - 1) for (first, _), (after, _) in pairwise(names)]
    for (first, stream), end in zip(names, [*ends, None], strict=False):
        if all(first != row[2] for row in rows):
            rows.append((0, stream, first, end, 0, 0, "open" if end is None else "forked"))
    highest = _highest(old, pages)
    return [
        StreamRow(number, stream, first, _end(pages, row, highest), mark, sent, state)
        for row in sorted(rows, key=lambda row: row[2])
        for number, stream, first, _, mark, sent, state in [row]
    ]


def _end(pages: Pages, row: tuple[Any, ...], highest: int) -> int:
    """The last used position of a stream, by the file or the mark beside it."""
    _, stream, first, end, mark, sent, _ = row
    if end is not None:
        return int(end)
    ends: list[int] = [mark, sent]
    if (said := read_mark(pages.path)) is not None and said.stream == stream:
        ends.append(said.through)
    return max(highest, int(first) - 1 + max(ends))


def _highest(old: apsw.Connection | None, pages: Pages) -> int:
    """The highest position in a row, a page, or an earlier version's own counter."""
    positions = [pages.highest]
    for query in ("SELECT max(position) FROM readings", "SELECT seq FROM sqlite_sequence"):
        if old is not None:
            with suppress(*_UNREADABLE):
                positions += [row[0] or 0 for row in old.execute(query)]
    return max(positions)
