"""
The spreadsheet of parts: one row a part and site.

Promises: pure. As `machine_sheet`: a column left out stays, an empty cell takes the value away. A part
without stock has one row with site and pieces empty.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cleanside.ingest.shop.machine_sheet import group_reader
from cleanside.ingest.shop.spreadsheet import (
    Sheet,
    SheetColumns,
    SheetFault,
    SheetRow,
    fault_in,
    number_reader,
    text_reader,
)
from cleanside.ingest.shop.stock import MAX_LEAD_DAYS

MOST_PIECES = 1_000_000

PART_COLUMNS = SheetColumns(
    readers={
        "part": text_reader(64),
        "description": text_reader(200),
        "lead_time_days": number_reader(least=0, most=MAX_LEAD_DAYS, whole=True),
        "site": group_reader,
        "pieces": number_reader(least=0, most=MOST_PIECES, whole=True),
    },
    required=("part",),
)


@dataclass(frozen=True, kw_only=True)
class PartSheetLine:
    """A part, and how many of it are at a site; site None: nothing is said of stock."""

    row: int
    part: str
    of_part: Mapping[str, Any]
    site: str | None
    pieces: int | None


def part_lines_of(sheet: Sheet) -> list[PartSheetLine]:
    """The rows of a sheet. Faults across cells and rows are added to the sheet's."""
    lines: list[PartSheetLine] = []
    first: dict[str, PartSheetLine] = {}
    seen: dict[tuple[str, str | None], int] = {}
    for row in sheet.rows:
        if (number := row.values.get("part")) is None:
            if not any(f.row == row.number and f.column == "part" for f in sheet.faults):
                sheet.faults.append(fault_in(row, "part", "", "part_missing"))
            continue
        line = PartSheetLine(
            row=row.number,
            part=number,
            of_part={n: row.values[n] for n in ("description", "lead_time_days") if n in row.values},
            site=row.values.get("site"),
            pieces=row.values.get("pieces"),
        )
        sheet.faults += _faults_of(row, line, seen, first.setdefault(number, line), sheet.columns)
        lines.append(line)
    sheet.faults.sort(key=lambda fault: fault.row or 0)
    return lines


def _faults_of(
    row: SheetRow,
    line: PartSheetLine,
    seen: dict[tuple[str, str | None], int],
    first: PartSheetLine,
    columns: Sequence[str],
) -> Iterator[SheetFault]:
    stands = seen.setdefault((line.part, line.site), line.row)
    if stands != line.row:
        yield fault_in(row, "part", line.part, "row_twice", first=stands)
    unread = set(columns) - row.values.keys()
    if (line.site is None) != (line.pieces is None) and not unread & {"site", "pieces"}:
        lacking = "site" if line.site is None else "pieces"
        yield fault_in(row, lacking, "", "stock_incomplete")
    for column, value in line.of_part.items():
        if first.of_part.get(column) != value:
            other = first.of_part.get(column)
            yield fault_in(row, column, value, "rows_disagree", first=first.row, other=other)
