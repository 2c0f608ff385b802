"""What is written as a file is read back, whatever it is; and no made-up file is half understood."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cleanside.ingest.shop.machine_sheet import COLUMNS, lines_of
from cleanside.ingest.shop.spreadsheet import (
    SEPARATORS,
    SheetColumns,
    number_reader,
    read_sheet,
    text_reader,
    write_sheet,
    yes_no_reader,
)

SHEET = SheetColumns(
    readers={
        "machine": text_reader(400),
        "level": number_reader(least=0, most=1e9),
        "retired": yes_no_reader,
    },
    required=("machine",),
)
TEXTS = st.text(st.characters(codec="utf-8"), min_size=1, max_size=60).filter(
    lambda text: text.isprintable() and bool(text.strip())
)
NUMBERS = st.floats(min_value=0, max_value=1e6).filter(lambda value: value == 0 or value > 1e-9)
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "machine": TEXTS,
            "level": st.none() | NUMBERS,
            "retired": st.none() | st.booleans(),
        }
    ),
    min_size=1,
    max_size=5,
)


@pytest.mark.parametrize("separator", SEPARATORS)
@given(rows=ROWS)
@example(rows=[{"machine": "'=1", "level": 0.1 + 0.2, "retired": False}])
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_read_back(separator: str, rows: list[dict[str, Any]]) -> None:
    written = write_sheet(tuple(SHEET.readers), rows, separator)
    sheet = read_sheet(written, SHEET)
    assert sheet.faults == []
    assert [dict(row.values) for row in sheet.rows] == rows
    cells = csv.reader(io.StringIO(written.decode("utf-8-sig"), newline=""), delimiter=SEPARATORS[separator])
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in cells for cell in row)


@given(content=st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
@example(content=b'machine\n"')
@example(content=b"machine;limit;limit_unit\na;1.234;kPa")
@settings(max_examples=300, deadline=None)
def test_a_made_up_file_is_read_or_its_faults_are_named(content: bytes) -> None:
    sheet = read_sheet(content, COLUMNS)
    lines_of(sheet)
    assert all(fault.code and fault.rule and fault.next_step for fault in sheet.faults)
    assert sheet.faults or sheet.columns
