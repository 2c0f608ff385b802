"""
The spreadsheet of machines: one row a housing, with what the shop knows of it.

Promises: pure. A column that is left out leaves its values as they are; an empty cell takes the value away,
but for what has a history (limit, hour meter) and what cannot be none (kind). Rows of one machine agree.
Leaves to others: cells and files (`spreadsheet`), the database (`sheet_import`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cleanside.gateway.units import QUANTITIES, accepts, offered, suggest_unit, to_si
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.shop.spreadsheet import (
    CellFault,
    Reader,
    Sheet,
    SheetColumns,
    SheetFault,
    SheetRow,
    day_reader,
    fault_in,
    number_reader,
    text_reader,
    yes_no_reader,
)

_NAME = r"(\.{0,2}[A-Za-z0-9:_-]|\.{3})[A-Za-z0-9:._-]*"
MOST_METER_H = 1_000_000.0
MOST_LIMIT_DAYS = 3_650
MOST_CLEANINGS = 20
DEFAULT_HOUSING = "main"

name_reader = text_reader(64, _NAME)
#: of a site or crew, whose name for people stands on the page Shop, not in the file
group_reader = text_reader(64, _NAME, not_matched="group_name_not_valid")


def _unit_reader(_: bool) -> Reader:
    def read(text: str) -> str:
        unit = text.strip()
        if accepts(unit, "restriction"):
            return unit
        likely = suggest_unit(unit, "restriction") or "the unit of the gauge"
        raise CellFault("unit_unknown", known=", ".join(offered("restriction")), likely=likely)

    return read


def _instant_reader(decimal_comma: bool) -> Reader:
    """Instants; a day alone is its noon in UTC, as the hour of a hand reading matters little."""
    read_day = day_reader(decimal_comma)

    def read(text: str) -> str:
        try:
            found = parse_instant(text.strip())
            if found.exact is None:
                return instant_text(found.us)
        except ValueError:
            pass
        try:
            return f"{read_day(text)}T12:00:00Z"
        except CellFault:
            raise CellFault("not_a_time") from None

    return read


#: of a machine: equal in all its rows
OF_MACHINE: Mapping[str, Callable[[bool], Reader]] = {
    "display_name": text_reader(120),
    "kind": name_reader,
    "site": group_reader,
    "crew": group_reader,
    "retired": yes_no_reader,
    "meter_hours": number_reader(least=0, most=MOST_METER_H),
    "meter_offset_hours": number_reader(least=0, most=MOST_METER_H),
    "meter_read_at": _instant_reader,
    "service": text_reader(120),
    "service_meter_hours": number_reader(least=0, most=MOST_METER_H),
    "service_on": day_reader,
    "laid_up_from": day_reader,
    "laid_up_until": day_reader,
}
OF_HOUSING: Mapping[str, Callable[[bool], Reader]] = {
    "limit": number_reader(least=0.000_001, most=1e9),
    "limit_unit": _unit_reader,
    "primary_part": text_reader(64),
    "safety_part": text_reader(64),
    "calendar_limit_days": number_reader(least=1, most=MOST_LIMIT_DAYS, whole=True),
    "most_cleanings": number_reader(least=0, most=MOST_CLEANINGS, whole=True),
}
COLUMNS = SheetColumns(
    readers={"machine": name_reader, "housing": name_reader, **OF_MACHINE, **OF_HOUSING},
    required=("machine",),
)
#: an empty cell leaves what is there: a history has no end, a kind is never taken away
KEPT_WHEN_EMPTY = frozenset(
    ("kind", "retired", "limit", "limit_unit", "meter_hours", "meter_offset_hours", "meter_read_at")
)


@dataclass(frozen=True, kw_only=True)
class SheetLine:
    """A housing as a row wants it: column -> value; None takes the value away."""

    row: int
    machine: str
    housing: str
    of_machine: Mapping[str, Any]
    of_housing: Mapping[str, Any]


def lines_of(sheet: Sheet) -> list[SheetLine]:
    """The rows of a sheet. Faults across cells and rows are added to the sheet's."""
    lines: list[SheetLine] = []
    machines: dict[str, SheetLine] = {}
    seen: dict[tuple[str, str], int] = {}
    for row in sheet.rows:
        if (machine := row.values.get("machine")) is None:
            if not any(f.row == row.number and f.column == "machine" for f in sheet.faults):
                sheet.faults.append(fault_in(row, "machine", "", "name_missing"))
            continue
        line = _line(row, machine)
        sheet.faults += [
            *_twice(line, seen),
            *_across(row, sheet.columns),
            *_disagreeing(row, line, machines),
        ]
        machines.setdefault(machine, line)
        lines.append(line)
    place = {column: number for number, column in enumerate(sheet.columns)}
    sheet.faults.sort(key=lambda fault: (fault.row or 0, place.get(fault.column or "", 0)))
    return lines


def _line(row: SheetRow, machine: str) -> SheetLine:
    def part(columns: Mapping[str, Any]) -> dict[str, Any]:
        return {
            name: value
            for name, value in row.values.items()
            if name in columns and not (value is None and name in KEPT_WHEN_EMPTY)
        }

    return SheetLine(
        row=row.number,
        machine=machine,
        housing=row.values.get("housing") or DEFAULT_HOUSING,
        of_machine=part(OF_MACHINE),
        of_housing=part(OF_HOUSING),
    )


def _twice(line: SheetLine, seen: dict[tuple[str, str], int]) -> Iterator[SheetFault]:
    first = seen.setdefault((line.machine, line.housing), line.row)
    if first != line.row:
        yield SheetFault(
            row=line.row,
            column="machine",
            value=line.machine,
            code="row_twice",
            values={"first": first},
        )


def _across(row: SheetRow, columns: Sequence[str]) -> Iterator[SheetFault]:
    """Cells of one row that do not go together. A cell that could not be read has its fault already."""
    value: Callable[[str], Any] = row.values.get
    unread = set(columns) - row.values.keys()
    if (value("limit") is None) != (value("limit_unit") is None) and not unread & {"limit", "limit_unit"}:
        lacking = "limit" if value("limit") is None else "limit_unit"
        yield fault_in(row, lacking, "", "limit_incomplete")
    elif value("limit") is not None and value("limit_unit") is not None:
        yield from _beyond_all(row, value("limit"), value("limit_unit"))
    if value("meter_hours") is not None and value("meter_read_at") is None and "meter_read_at" not in unread:
        yield fault_in(row, "meter_read_at", "", "meter_incomplete")
    since, until = value("laid_up_from"), value("laid_up_until")
    if until is not None and (since is None or until < since):
        yield fault_in(row, "laid_up_until", until, "span_not_valid")


def _beyond_all(row: SheetRow, value: float, unit: str) -> Iterator[SheetFault]:
    pascal, most = to_si(value, unit, "restriction"), QUANTITIES["restriction"].highest
    if pascal > most:
        about = {"value": value, "unit": unit, "value_kpa": pascal / 1e3, "most_kpa": most / 1e3}
        yield fault_in(row, "limit", value, "limit_too_high", **about)


def _disagreeing(row: SheetRow, line: SheetLine, machines: Mapping[str, SheetLine]) -> Iterator[SheetFault]:
    """What a machine's rows say differently of it."""
    first = machines.get(line.machine)
    if first is None:
        return
    for column, value in line.of_machine.items():
        if column in first.of_machine and first.of_machine[column] != value:
            other = first.of_machine[column]
            yield fault_in(row, column, value, "rows_disagree", first=first.row, other=other)
