"""
A damaged or vanished spool: set aside whole, and what is readable in it sent under its own numbers.

Promises: nothing of the old file is changed or deleted; collection goes on in the new file at once; each
number above the old mark is either carried over with the time it had, or declared shed, reason `damaged`.
Work is done in small transactions and goes on after a restart.
Leaves to others: noticing (`gateway.spool`), sending (`gateway.uplink`).

Salvaged streams lie at negative positions of the new file, in front of everything else: numbers of their
own, never met by AUTOINCREMENT, which only looks at the highest.
"""

from __future__ import annotations

import itertools
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import apsw

from gateway.payload import UnitSet, read_unit_set, write_unit_set
from gateway.spool_batch import Row, columns_of, read_rows, sendable
from gateway.spool_shed import declare, shed_within
from gateway.spool_state import StreamRow, find_stream
from gateway.spool_time import Placements, load_placements

REASON: Final = "damaged"
NOTE: Final = "salvage"  # the list of files that are not read to their end yet
_KNOWN_NOTE: Final = "set_aside"  # the list of all files that were ever set aside
_AT_ONCE: Final = 2_000  # numbers a transaction (chosen, as for pruning)
_FAR: Final = 2**40  # positions between two salvaged streams: more numbers than any stream will have
_PARTS: Final = ("", "-wal", "-shm")


def free_name(path: Path) -> Path:
    """A name beside `path` for a file that is set aside; not taken yet."""
    names = (path.with_name(f"{path.name}.damaged-{number}") for number in itertools.count(1))
    return next(name for name in names if not name.exists())


def set_aside(path: Path) -> None:
    """Move the spool at `path` aside with its log, under a free name. Nothing happens if it is gone."""
    if not path.exists():
        return
    aside = free_name(path)
    for part in _PARTS:
        with suppress(FileNotFoundError):
            os.rename(f"{path}{part}", f"{aside}{part}")  # noqa: PTH104 - names with a suffix added, not paths


def find_new(connection: apsw.Connection, path: Path) -> list[Path]:
    """
    Files that were set aside and that this spool did not know of; from now on they are to be read.

    Looked for by name, so that a power cut between setting aside and beginning the new file loses nothing.
    """
    known = set(_names(connection, _KNOWN_NOTE))
    found = [p for p in path.parent.glob(f"{path.name}.damaged-*") if p.suffix[9:].isdecimal()]
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
    placements: Placements
    boots: Mapping[int, str]


def _copy_marks(connection: apsw.Connection, aside: Path) -> None:
    """Take over how far each source had come, as far as readable, so that none repeats itself."""
    with _opened(aside) as old:
        for row in _rows(old, "SELECT source, mark FROM source_marks"):
            connection.execute("INSERT OR IGNORE INTO source_marks VALUES (?, ?)", row)


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


def salvage(connection: apsw.Connection, aside: Path) -> bool:
    """Carry over some numbers of the file at `aside`, in the caller's transaction. False: nothing is left."""
    with _opened(aside) as old:
        known = _read_old(old)
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
    rows = _readable(old, stream.position(first), stream.position(last)) if old is not None else []
    held = set()
    for row in rows:
        if row[4] in known.unit_sets:
            _insert(connection, known, row, new.position(stream.seq(row[0])))
            held.add(stream.seq(row[0]))
    _declare_missing(connection, old, stream, new, held, first, last)
    connection.execute(
        "UPDATE streams SET last_position = ? WHERE number = ?", (new.position(last), new.number)
    )
    return True


def _salvaged(connection: apsw.Connection, stream: StreamRow) -> StreamRow:
    """The row of a salvaged stream in the new file; made when it is first asked for."""
    found = find_stream(connection, stream.stream)
    if found is None:
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


def _insert(connection: apsw.Connection, known: _Old, row: Row, position: int) -> None:
    boot, time_us, uncertainty_s = row[1], row[2], row[3]
    if sendable([row], known.placements, known.unit_sets, max_bytes=1):
        frozen = columns_of([row], known.placements, known.unit_sets)
        assert not isinstance(frozen.at_uncertainty_s, list)
        boot, time_us, uncertainty_s = None, frozen.at_us[0], frozen.at_uncertainty_s
    elif boot is not None:
        boot = _boot(connection, known.boots.get(boot, f"unreadable-{boot}"), position)
        connection.execute(
            "UPDATE boots SET ended_us = max(ended_us, ?) WHERE number = ? AND ended_us IS NOT NULL",
            (time_us, boot),
        )
    connection.execute(
        "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)",
        (position, boot, time_us, uncertainty_s, _unit_set(connection, known.unit_sets[row[4]]), row[5]),
    )


def _boot(connection: apsw.Connection, boot: str, position: int) -> int:
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
    old: apsw.Connection | None,
    stream: StreamRow,
    new: StreamRow,
    held: set[int],
    first: int,
    last: int,
) -> None:
    """Declare what was declared before, with its reason, and all else that is not held, reason `damaged`."""
    if old is not None:
        with suppress(apsw.Error):
            for entry in shed_within(old, stream.number, first, last):
                if not held & set(range(entry.first, entry.last + 1)):
                    declare(connection, new.number, entry.first, entry.last, entry.reason)
    begin = None
    for seq in range(first, last + 2):
        if seq <= last and seq not in held:
            begin = begin or seq
        elif begin is not None:
            declare(connection, new.number, begin, seq - 1, REASON)
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


def _rows(old: apsw.Connection | None, query: str) -> Iterator[tuple[Any, ...]]:
    """Rows of a query as far as they can be read."""
    if old is None:
        return
    with suppress(apsw.Error):
        yield from old.execute(query)


def _readable(old: apsw.Connection, first: int, last: int) -> list[Row]:
    """The readings at positions first..last that can be read: halves are tried where the whole cannot be."""
    try:
        return read_rows(old, first, last)
    except apsw.Error:
        if first == last:
            return []
        middle = (first + last) // 2
        return _readable(old, first, middle) + _readable(old, middle + 1, last)


def _read_old(old: apsw.Connection | None) -> _Old:
    unit_sets: dict[int, UnitSet] = {}
    for number, units in _rows(old, "SELECT number, units FROM unit_sets"):
        with suppress(ValueError, TypeError):
            unit_sets[number] = read_unit_set(units)
    placements: Placements = {}
    if old is not None:
        with suppress(apsw.Error):
            placements = load_placements(old)
    highest = max(
        [
            0,
            *(int(row[0] or 0) for row in _rows(old, "SELECT max(position) FROM readings")),
            *(int(row[0]) for row in _rows(old, "SELECT seq FROM sqlite_sequence WHERE name = 'readings'")),
        ]
    )
    query = (
        "SELECT number, stream, first_position, last_position, acknowledged_through, sent_through, state "
        "FROM streams ORDER BY first_position"
    )
    streams = [
        StreamRow(number, stream, first, highest if last is None else last, mark, sent, state)
        for number, stream, first, last, mark, sent, state in _rows(old, query)
    ]
    boots: dict[int, str] = dict(_rows(old, "SELECT number, boot FROM boots"))
    return _Old(streams, unit_sets, placements, boots)
