"""
A damaged or vanished spool: set aside whole, and what is readable in it sent under its own numbers.

What SQLite can read is taken from it; the rest from the pages themselves (`gateway.spool.pages`), so that a
damage to the first page or to an inner one costs nothing but that page.

Promises: nothing of the old file is changed or deleted; collection goes on in the new file at once; each
number above the old mark is either carried over with the time it had, or declared shed, reason `damaged`.
Work is done in small transactions and goes on after a restart.
Leaves to others: noticing (`gateway.spool.queue`), sending (`gateway.uplink.loop`).

Salvaged streams lie at negative positions of the new file, in front of everything else: numbers of their
own, never met by AUTOINCREMENT, which only looks at the highest.
"""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import apsw

from cleanside.gateway.spool.boots import Placements, load_placements, placements_of
from cleanside.gateway.spool.checksum import unit_seed
from cleanside.gateway.spool.high_mark import SUFFIX, read_mark
from cleanside.gateway.spool.new_rows import UnwrittenRows, insert_rows
from cleanside.gateway.spool.pages import Pages, read_pages
from cleanside.gateway.spool.payload import NotAsWritten, UnitSet, read_unit_set, write_unit_set
from cleanside.gateway.spool.rows import NONE_UNPROTECTED, Row, frozen, is_sound, read_rows
from cleanside.gateway.spool.shed import declare, shed_within
from cleanside.gateway.spool.state import StreamRow, find_stream
from cleanside.gateway.spool.upgrade import SUMS_SINCE
from cleanside.gateway.wire import ShedRange

DAMAGED_REASON: Final = "damaged"
NOTE: Final = "salvage"  # the list of files that are not read to their end yet
_KNOWN_NOTE: Final = "set_aside"  # the list of all files that were ever set aside
_AT_ONCE: Final = 2_000  # numbers a transaction (chosen, as for pruning)
_FAR: Final = 2**40  # positions between two salvaged streams: more numbers than any stream will have
_UNREADABLE: Final = (apsw.Error, UnicodeDecodeError, TypeError)  # what reading a damaged table may raise
#: of a spool; the mark goes first: it must not be left beside a file that is new
_PARTS: Final = (SUFFIX, "", "-wal", "-shm")


def free_name(path: Path) -> Path:
    """A name beside `path` for a file that is set aside; not taken yet."""
    names = (path.with_name(f"{path.name}.damaged-{number}") for number in itertools.count(1))
    return next(name for name in names if not os.path.lexists(name))


def set_aside(path: Path) -> None:
    """Move the spool at `path` aside with its log, under a free name. Nothing happens if it is gone."""
    if not path.exists():
        return
    aside = free_name(path)
    for part in _PARTS:
        with suppress(FileNotFoundError):
            os.rename(f"{path}{part}", f"{aside}{part}")  # noqa: PTH104 - names with a suffix added, not paths


def move_mark(path: Path, aside: Path) -> None:
    """The mark of the spool at `path` goes with what is kept of it as `aside`."""
    with suppress(FileNotFoundError):
        os.rename(f"{path}{SUFFIX}", f"{aside}{SUFFIX}")  # noqa: PTH104 - as above


def find_new(connection: apsw.Connection, path: Path) -> list[Path]:
    """
    Files that were set aside and that this spool did not know of; from now on they are to be read.

    Looked for by name, so that a power cut between setting aside and beginning the new file loses nothing.
    """
    known = set(_names(connection, _KNOWN_NOTE))
    beside = [p.name for p in path.parent.glob(f"{path.name}.damaged-*")]
    found = [p for name in beside if (p := aside_path(path, name)) is not None]
    new = sorted(p for p in found if p.name not in known)
    if new:
        _write_names(connection, _KNOWN_NOTE, sorted(known | {p.name for p in new}))
        _write_names(connection, NOTE, [*waiting(connection), *(p.name for p in new)])
    for aside in new:
        _copy_marks(connection, aside)
    return new


@dataclass(frozen=True, slots=True)
class _Old:
    """What could be read of the old file beside its readings."""

    streams: Sequence[StreamRow]
    unit_sets: Mapping[int, UnitSet]
    #: the same as their copies have them: which one is right the readings' sums tell
    unit_copies: Mapping[int, UnitSet]
    unprotected_through: int
    placements: Placements
    boots: Mapping[int, str]
    pages: Pages


def is_end_known(aside: Path) -> bool:
    """How far the numbering of a file that was set aside had come is known beyond what lies in it."""
    try:
        with aside.open("rb") as file:
            version = int.from_bytes(file.read(64)[60:], "big")
    except OSError:
        return False
    return 0 < version < SUMS_SINCE or read_mark(aside) is not None  # before there were marks a table counted


def _copy_marks(connection: apsw.Connection, aside: Path) -> None:
    """Take over how far each source had come, as far as readable, so that none repeats itself."""
    with _opened(aside) as old:
        marks = _rows(old, "source, mark", "source_marks")
    if marks is None:
        marks = list(read_pages(aside).pairs.items())  # the notes among them are marks that nobody asks for
    connection.executemany("INSERT OR IGNORE INTO source_marks VALUES (?, ?)", marks)


def aside_path(path: Path, name: str) -> Path | None:
    """
    The file of this name that was set aside from `path`; None: no name that `free_name` gives, or a link.

    Names come from the spool's own notes and from its folder: neither may lead to another file.
    """
    number = name.removeprefix(f"{path.name}.damaged-")
    if number == name or not number.isdecimal() or not number.isascii():
        return None
    aside = path.with_name(name)
    return None if aside.is_symlink() else aside


def waiting(connection: apsw.Connection) -> list[str]:
    """Names of the files that are not read to their end yet."""
    return _names(connection, NOTE)


def is_read(connection: apsw.Connection, name: str) -> None:
    """A file was read to its end."""
    _write_names(connection, NOTE, [other for other in waiting(connection) if other != name])


def _names(connection: apsw.Connection, note: str) -> list[str]:
    value = connection.execute("SELECT value FROM notes WHERE name = ?", (note,)).get
    return [] if value is None else list(json.loads(value))


def _write_names(connection: apsw.Connection, note: str, names: Sequence[str]) -> None:
    connection.execute(
        "INSERT INTO notes VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (note, json.dumps(list(names))),
    )


def salvage(connection: apsw.Connection, pages: Pages) -> bool:
    """
    Carry over some numbers of a file that was set aside, in the caller's transaction. False: nothing is left.

    pages : of that file, read before.
    """
    with _opened(pages.path) as old:
        known = _read_old(old, pages)
        for stream in known.streams:
            if stream.acknowledged_through < stream.appended_through and _carry_over(
                connection, old, known, stream
            ):
                return True
    return False


def _carry_over(
    connection: apsw.Connection, old: apsw.Connection | None, known: _Old, stream: StreamRow
) -> bool:
    new = _salvaged(connection, stream)
    first = new.appended_through + 1
    last = min(first + _AT_ONCE - 1, stream.appended_through)
    if first > last:
        return False
    held = set()
    for row in _readable(old, known.pages, stream.position(first), stream.position(last)):
        seq = stream.seq(row[0])
        for unit_sets in (known.unit_sets, known.unit_copies):
            if is_sound(
                row, unit_sets, stream=stream.stream, seq=seq, unprotected_through=known.unprotected_through
            ):
                _insert(connection, replace(known, unit_sets=unit_sets), row, new, new.position(seq))
                held.add(seq)
                break
    _declare_missing(connection, _shed_before(old, known.pages, stream, first, last), new, held, first, last)
    connection.execute(
        "UPDATE streams SET last_position = ? WHERE number = ?", (new.position(last), new.number)
    )
    return True


def _salvaged(connection: apsw.Connection, stream: StreamRow) -> StreamRow:
    """The row of a salvaged stream in the new file; made when it is first asked for."""
    found = find_stream(connection, stream.stream)
    return found or _new_salvaged(connection, stream)


def add_salvaged(connection: apsw.Connection, stream: str, through: int) -> None:
    """Declare numbers 1..through of a stream of which nothing is left. Nothing happens if it is known."""
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
    found = find_stream(connection, stream.stream)
    assert found is not None
    return found


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
    """Declare what was declared before, with its reason, and all else that is not held, reason `damaged`."""
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


# ---------------------------------------------------------------- reading what may not be readable


class _opened:
    """The old file, opened to look only; None where it cannot be opened at all."""

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
        except apsw.SQLError:  # an earlier version made the file: its rows do not tell
            continue
        except _UNREADABLE:
            return None
    return None


def _readable(old: apsw.Connection | None, pages: Pages, first: int, last: int) -> list[Row]:
    """The readings at positions first..last that can be read, from either."""
    rows: list[Row] = []
    if old is not None:
        with suppress(*_UNREADABLE):
            rows = read_rows(old, first, last)
    if len(rows) == last - first + 1:
        return rows
    found = {row[0]: row for row in [*pages.readings(first, last), *rows]}
    return [found[position] for position in sorted(found)]


def _shed_before(
    old: apsw.Connection | None, pages: Pages, stream: StreamRow, first: int, last: int
) -> list[ShedRange]:
    """What was declared given up of numbers first..last, cut to them."""
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
    """Up to which position readings of the old file bear no sum."""
    if pages.version < SUMS_SINCE:
        return 2**63 - 1
    said = pages.pairs.get("unprotected_through", "")
    return int(said) if said.isdecimal() else NONE_UNPROTECTED


def _streams(old: apsw.Connection | None, pages: Pages) -> list[StreamRow]:
    """The streams of the old file: from the table, from its page, or from the copies, which know no mark."""
    columns = "number, stream, first_position, last_position, acknowledged_through, sent_through, state"
    rows: list[tuple[Any, ...]] = list(_rows(old, columns, "streams") or pages.streams)
    # What is held of a stream that only the copies know is sent again; the server says what it knows.
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
    """The last position that a stream gave, as far as the file or the mark beside it knows."""
    _, stream, first, end, mark, sent, _ = row
    if end is not None:
        return int(end)
    told: list[int] = [mark, sent]
    if (said := read_mark(pages.path)) is not None and said.stream == stream:
        told.append(said.through)
    return max(highest, int(first) - 1 + max(told))


def _highest(old: apsw.Connection | None, pages: Pages) -> int:
    """The highest position that a row, a page, or an earlier version's own counter knows."""
    found = [pages.highest]
    for query in ("SELECT max(position) FROM readings", "SELECT seq FROM sqlite_sequence"):
        if old is not None:
            with suppress(*_UNREADABLE):
                found += [row[0] or 0 for row in old.execute(query)]
    return max(found)
