"""
Check a spool: the file as SQLite sees it, and the numbering as the contract needs it.

Promises: changes nothing; every finding says what and where. Leaves to others: mending.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import apsw

from cleanside.gateway.errors import CalledWrongly, why
from cleanside.gateway.spool.file import open_to_read, translated
from cleanside.gateway.spool.payload import read_unit_set, read_values
from cleanside.gateway.spool.shed import shed_within
from cleanside.gateway.spool.state import StreamRow, stream_rows
from cleanside.gateway.units import counted

_MOST_FINDINGS = 50


def verify(path: Path) -> list[str]:
    """What is wrong with the spool at `path`; empty: nothing. Raises CalledWrongly if there is no spool."""
    if not path.exists():
        raise CalledWrongly(f"{path} does not exist; check spool.path and device")
    with translated(path):
        connection = open_to_read(path)
        try:
            return list(islice(_findings(connection), _MOST_FINDINGS))
        finally:
            connection.close()


def _findings(connection: apsw.Connection) -> Iterator[str]:
    try:
        yield from _of_file(connection)
        # One view of all tables, while a gateway may be writing.
        connection.execute("BEGIN")
        for row in stream_rows(connection):
            yield from _of_numbers(connection, row)
        yield from _of_payloads(connection)
    except (apsw.CorruptError, UnicodeDecodeError, ValueError) as error:
        yield f"file: {_said(error)}; what lies behind that was not looked at"


def _said(error: Exception) -> str:
    # SQLite speaks of pages and tables; of what it says elsewhere the class is enough.
    return str(error) if isinstance(error, apsw.Error) else why(error)


def _of_file(connection: apsw.Connection) -> list[str]:
    result = [str(row[0]) for row in connection.execute("PRAGMA integrity_check(20)")]
    findings = [] if result == ["ok"] else [f"file: {line}" for line in result]
    for table, rowid, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        findings.append(f"{table} row {rowid} points at a row of {parent} that does not exist")
    return findings


def _of_numbers(connection: apsw.Connection, row: StreamRow) -> list[str]:
    """Each number above the mark is held or declared shed, none is both; no mark is beyond the appended."""
    findings = []
    if row.acknowledged_through > row.appended_through:
        findings.append(
            f"stream {row.stream}: acknowledged {row.acknowledged_through}, appended {row.appended_through}"
        )
    first, last = row.acknowledged_through + 1, row.appended_through
    held = _count(connection, row, first, last)
    shed = shed_within(connection, row.number, first, last)
    given_up = sum(entry.last - entry.first + 1 for entry in shed)
    both = sum(_count(connection, row, entry.first, entry.last) for entry in shed)
    if both:
        findings.append(f"stream {row.stream}: {counted(both, 'number')} both held and declared shed")
    if held + given_up - both != last - first + 1:
        missing = counted(last - first + 1 - held - given_up + both, "number")
        findings.append(f"stream {row.stream}: {missing} of {first}..{last} neither held nor declared shed")
    return findings


def _count(connection: apsw.Connection, row: StreamRow, first: int, last: int) -> int:
    return int(
        connection.execute(
            "SELECT count(*) FROM readings WHERE position BETWEEN ? AND ?",
            (row.position(first), row.position(last)),
        ).get
    )


def _of_payloads(connection: apsw.Connection) -> list[str]:
    sizes = {
        n: len(read_unit_set(units)) for n, units in connection.execute("SELECT number, units FROM unit_sets")
    }
    findings = []
    for position, unit_set, payload in connection.execute("SELECT position, unit_set, payload FROM readings"):
        try:
            if len(read_values([payload])[0]) != sizes[unit_set]:
                findings.append(f"reading at position {position}: {payload[:40]} does not fit its unit set")
        except (ValueError, KeyError, TypeError):
            findings.append(f"reading at position {position}: {str(payload)[:40]!r} is not readable")
        if len(findings) >= _MOST_FINDINGS:
            break
    return findings
