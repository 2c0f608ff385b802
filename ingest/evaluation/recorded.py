"""
Recorded series that a command reads and reports that it writes: CSV in, JSON out.

Promises: a file that cannot be read or written ends the command with one line. Leaves to others: what the
columns mean.
"""

from __future__ import annotations

import csv
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from cleanside.gateway import file_modes
from cleanside.gateway.units import counted
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.restriction.measure.summary import FloatArray

MARKERS = (-999.0, -999.25, -9999.0, -32768.0, -99999.0)  # for a missing value (common practice)
PAIRS_SHARE = 0.95  # of pairs of rows are the same: the file has each row twice (chosen)
LEAST_ROWS = 6  # with fewer rows, equal ones are no pattern


def read_rows(path: Path) -> list[dict[str, str]]:
    """The rows below the header, by column; each has every column. Raises CalledWrongly."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeError, csv.Error) as error:
        raise CalledWrongly("series_unreadable", path=path, why=why(error)) from error
    for number, row in enumerate(rows, 1):
        if None in row or None in row.values():
            more = "more" if None in row else "fewer"
            raise CalledWrongly("row_of_another_length", path=path, row=number, more=more)
    return rows


def numbers_of(path: Path, rows: Sequence[Mapping[str, str]], column: str) -> FloatArray:
    """A column as finite numbers, shape (rows,). Raises CalledWrongly."""
    values = np.empty(len(rows))
    for i, row in enumerate(rows):
        try:
            values[i] = float(row[column])
        except ValueError:
            raise CalledWrongly(
                "value_not_a_number", path=path, row=i + 1, column=column, value=row[column]
            ) from None
        if not np.isfinite(values[i]):
            raise CalledWrongly("value_missing", path=path, row=i + 1, column=column, value=values[i])
    marked = np.flatnonzero(np.isin(values, MARKERS))
    if len(marked):
        first, many = int(marked[0]), counted(len(marked), "such row")
        raise CalledWrongly(
            "value_is_a_marker", path=path, row=first + 1, column=column, value=values[first], rows=many
        )
    return values


def refuse_doubled_rows(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Raises CalledWrongly where the file has each row twice."""
    texts = [tuple(row.values()) for row in rows]
    same = np.array([one == other for one, other in itertools.pairwise(texts)], dtype=bool)
    if len(rows) >= LEAST_ROWS and same[::2].mean() >= PAIRS_SHARE and same[1::2].mean() < 0.5:
        raise CalledWrongly("rows_doubled", path=path, row=int(np.argmax(same)) + 1, rows=len(rows))


def hours_of(path: Path, rows: Sequence[Mapping[str, str]]) -> FloatArray:
    """The column hours, which must not fall, shape (rows,). Raises CalledWrongly."""
    hours = numbers_of(path, rows, "hours")
    if np.any(np.diff(hours) < 0):
        row = int(np.argmax(np.diff(hours) < 0))
        raise CalledWrongly("hours_fall", path=path, row=row + 1, hours=hours[row])
    return hours


def write_report(path: Path, report: Mapping[str, Any]) -> None:
    """Write a report as JSON. Raises CalledWrongly."""
    try:
        file_modes.write_text(path, json.dumps(report, indent=1) + "\n")
    except OSError as error:
        raise CalledWrongly("json_unwritable", path=path, why=why(error)) from error
