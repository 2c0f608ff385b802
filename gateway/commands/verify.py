"""
Check a spool: the file by SQLite, each row by its sum, and the numbering by the contract.

Promises: changes nothing; every finding says what and where. Leaves to others: repair.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

import apsw

from cleanside.gateway.errors import CalledWrongly, why
from cleanside.gateway.spool.carry_back import left_aside
from cleanside.gateway.spool.file import check_small_tables, open_to_read, translated
from cleanside.gateway.spool.high_mark import Extent, read_mark
from cleanside.gateway.spool.payload import UnitSet, read_unit_set, read_values
from cleanside.gateway.spool.rows import READ, Row, is_sound
from cleanside.gateway.spool.shed import count_shed, shed_within
from cleanside.gateway.spool.state import (
    StreamRow,
    changed_copies,
    is_marked,
    stream_rows,
    unprotected_through,
)
from cleanside.gateway.spool.tail import Lost, Unknown, judge
from cleanside.gateway.units import counted

_MOST_FINDINGS = 50


def verify(path: Path) -> list[str]:
    """Faults of the spool at `path`; empty: none. Raises CalledWrongly if there is no spool."""
    with _opened(path) as connection:
        return list(islice(_findings(connection, path), _MOST_FINDINGS))


def unprotected(path: Path) -> int:
    """How many readings have no checksum, because an earlier version wrote them: a change stays unnoticed."""
    with _opened(path) as connection:
        through = unprotected_through(connection)
        query = "SELECT count(*) FROM readings WHERE position <= ? AND sum IS NULL"
        return int(connection.execute(query, (through,)).get)


@contextmanager
def _opened(path: Path) -> Iterator[apsw.Connection]:
    if not path.exists():
        raise CalledWrongly("no_spool", path=path)
    with translated(path):
        connection = open_to_read(path)
        try:
            yield connection
        finally:
            connection.close()


def _findings(connection: apsw.Connection, path: Path) -> Iterator[str]:
    try:
        yield from _of_file(connection)
        # One view of all tables, while a gateway may be writing. The mark is read before: it is never ahead.
        mark = read_mark(path)
        connection.execute("BEGIN")
        check_small_tables(connection)
        for row in stream_rows(connection):
            yield from _of_numbers(connection, row)
            yield from _of_readings(connection, row)
        yield from _of_tail(connection, mark)
        if changed := changed_copies(connection):
            yield f"copies of stream names: {changed} changed on the disk; a start of the gateway mends them"
    except (apsw.CorruptError, UnicodeDecodeError, ValueError) as error:
        yield f"file: {_said(error)}; what lies behind that was not looked at"


def _said(error: Exception) -> str:
    # SQLite's own text names pages and tables; of other errors the class is enough.
    return str(error) if isinstance(error, apsw.Error) else why(error)


def _of_file(connection: apsw.Connection) -> list[str]:
    result = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(20)")]
    findings = [] if result == ["ok"] else [f"file: {line}" for line in result]
    for table, rowid, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        findings.append(f"{table} row {rowid} points at a row of {parent} that does not exist")
    return findings


def _of_numbers(connection: apsw.Connection, row: StreamRow) -> list[str]:
    """
    Faults where a number above the mark is not stored or shed, or is both, or a mark is beyond the appended.
    """
    findings = []
    if row.acknowledged_through > row.appended_through:
        findings.append(
            f"stream {row.stream}: acknowledged {row.acknowledged_through}, appended {row.appended_through}"
        )
    first, last = row.acknowledged_through + 1, row.appended_through
    stored = _count(connection, row, first, last) + _only_aside(connection, row)
    shed = shed_within(connection, row.number, first, last)
    given_up = sum(entry.last - entry.first + 1 for entry in shed)
    both = sum(_count(connection, row, entry.first, entry.last) for entry in shed)
    if both:
        findings.append(f"stream {row.stream}: {counted(both, 'number')} both stored and declared shed")
    if stored + given_up - both != last - first + 1:
        missing = counted(last - first + 1 - stored - given_up + both, "number")
        findings.append(f"stream {row.stream}: {missing} of {first}..{last} neither stored nor declared shed")
    return findings


def _only_aside(connection: apsw.Connection, row: StreamRow) -> int:
    """How many numbers only a file set aside has, until the server has those before them."""
    left = left_aside(connection, row)
    first, last = left.start, left.stop - 1
    here = _count(connection, row, first, last) + count_shed(connection, row.number, first, last)
    return max(0, len(left) - here)


def _count(connection: apsw.Connection, row: StreamRow, first: int, last: int) -> int:
    return int(
        connection.execute(
            "SELECT count(*) FROM readings WHERE position BETWEEN ? AND ?",
            (row.position(first), row.position(last)),
        ).get
    )


def _of_readings(connection: apsw.Connection, row: StreamRow) -> Iterator[str]:
    rows = connection.execute("SELECT number, units FROM unit_sets")
    unit_sets = {number: read_unit_set(units) for number, units in rows}
    through = unprotected_through(connection)
    query = f"{READ} WHERE position BETWEEN ? AND ? ORDER BY position"
    for reading in connection.execute(query, (row.first_position, row.last_position)):
        seq = row.seq(reading[0])
        if not is_sound(reading, unit_sets, stream=row.stream, seq=seq, unprotected_through=through):
            yield f"reading at position {reading[0]}: {_fault(reading, unit_sets)}"


def _fault(reading: Row, unit_sets: Mapping[int, UnitSet]) -> str:
    payload = str(reading[5])[:40]
    try:
        if len(read_values([reading[5]])[0]) != len(unit_sets[reading[4]]):
            return f"{payload} does not fit its unit set"
    except (ValueError, KeyError, TypeError):
        return f"{payload!r} is not readable"
    return "it changed on the disk, or lies under another number: its checksum does not fit"


def _of_tail(connection: apsw.Connection, mark: Extent | None) -> Iterator[str]:
    match judge(mark, stream_rows(connection), is_expected=is_marked(connection)):
        case Lost(stream, first, last):
            yield f"stream {stream.stream}: {first}..{last} were written and are not in the file"
        case Unknown(stream):
            yield (
                f"stream {stream.stream}: whether readings behind {stream.appended_through} are missing "
                "is not known, as the mark beside the file is missing or another's"
            )
