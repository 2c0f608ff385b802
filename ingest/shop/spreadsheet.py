"""
Tables as CSV, as a spreadsheet writes and opens them (RFC 4180, and the semicolon of many locales).

Promises: pure. What was written is read back as the same values. Every fault of a file is named by row and
column, with what stands there, the rule and the next step. No cell that is written is a formula to a
spreadsheet: OWASP, "CSV Injection", names the leading characters = + - @, tab and carriage return.
Rules of reading:
- UTF-8, with or without byte order mark; comma or semicolon, whichever splits the head into known columns.
- A number has a decimal point. In a file with semicolons it may have a decimal comma; then a point before
  exactly three digits is refused, because it may group thousands.
- Spaces around a number, code or date are left out; a free text keeps them.
- A row of empty cells is no row. Rows are counted as a spreadsheet does.
- An apostrophe before a character that would begin a formula is taken off, as it was put on in writing.
Leaves to others: which columns there are (`machine_sheet`, `part_sheet`).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

SEPARATORS = {"comma": ",", "semicolon": ";"}
MAX_ROWS = 5_000  # of a file; chosen: several times the largest fleets we know of
MAX_COLUMNS = 64
MAX_CELL = 400  # characters, as of a note

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_ESCAPED = re.compile(r"'+[=+\-@\t\r]")
_POINT = re.compile(r"\d{1,9}(\.\d{1,40})?")  # 40: what a small double needs
_COMMA = re.compile(r"\d{1,9}(,\d{1,40})?")
_GROUPED = re.compile(r"\d{1,3}(\.\d{3})+(,\d+)?")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, kw_only=True)
class SheetFault:
    """One thing wrong with a file. row : as a spreadsheet counts, the head is 1; None: the whole file."""

    row: int | None
    column: str | None
    value: str
    code: str
    rule: str
    next_step: str


class CellFault(ValueError):
    """A cell that is not as its column wants it."""

    def __init__(self, code: str, rule: str, next_step: str) -> None:
        """code : of `SheetFault`."""
        super().__init__(rule)
        self.code, self.rule, self.next_step = code, rule, next_step


@dataclass(frozen=True)
class SheetRow:
    """A row: its number, and column -> value; None: the cell is empty. Columns left out are not in it."""

    number: int
    values: Mapping[str, Any]


def fault_in(row: SheetRow, column: str, value: Any, code: str, rule: str, step: str) -> SheetFault:
    """A fault across the cells of a row. value : as it is shown; None: nothing stands there."""
    shown = "" if value is None else str(value)
    return SheetFault(row=row.number, column=column, value=shown, code=code, rule=rule, next_step=step)


#: reads a cell that is not empty. Raises CellFault
Reader = Callable[[str], Any]


@dataclass(frozen=True, kw_only=True)
class SheetColumns:
    """The columns that a sheet may have; each file has some of them, in any order."""

    readers: Mapping[str, Callable[[bool], Reader]]  # column -> decimal comma allowed -> reader
    required: tuple[str, ...]


@dataclass
class Sheet:
    """A file as it was read."""

    columns: tuple[str, ...] = ()
    rows: list[SheetRow] = field(default_factory=list)
    faults: list[SheetFault] = field(default_factory=list)


# ---------------------------------------------------------------- writing


def write_sheet(columns: Sequence[str], rows: Iterable[Mapping[str, Any]], separator: str) -> bytes:
    """
    A file of these rows, with byte order mark. separator : a key of `SEPARATORS`.

    With semicolons numbers have a decimal comma, as those spreadsheets want it.
    """
    text = io.StringIO()
    writer = csv.writer(text, delimiter=SEPARATORS[separator], quoting=csv.QUOTE_ALL, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(column), separator == "semicolon") for column in columns])
    return text.getvalue().encode("utf-8-sig")


def _cell(value: Any, decimal_comma: bool) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        written = format(Decimal(repr(value)), "f").removesuffix(".0")
        return written.replace(".", ",") if decimal_comma else written
    return safe_cell(str(value))


def safe_cell(text: str) -> str:
    """A cell that a spreadsheet takes for text: a formula gets an apostrophe (OWASP, CSV Injection)."""
    return f"'{text}" if _FORMULA.match(text) else text


# ---------------------------------------------------------------- reading


def read_sheet(content: bytes, columns: SheetColumns) -> Sheet:
    """Read a file. What is wrong stands in `faults`; then nothing of it may be taken."""
    sheet = Sheet()
    text = _text(content, sheet.faults)
    if text is None:
        return sheet
    separator = _separator(text, columns)
    records = _records(text, separator, sheet.faults)
    if not records:
        if not sheet.faults:
            sheet.faults.append(_of_file("empty", "", "a file has a head and rows", "fill in a row"))
        return sheet
    sheet.columns = tuple(cell.strip().casefold() for cell in records[0][1])
    _check_head(sheet, columns)
    if sheet.faults:
        return sheet
    readers = {name: columns.readers[name](separator == ";") for name in sheet.columns if name}
    for number, cells in records[1:]:
        if any(cell.strip() for cell in cells):
            _read_row(sheet, number, cells, readers)
    return sheet


def _of_file(code: str, value: str, rule: str, next_step: str) -> SheetFault:
    return SheetFault(row=None, column=None, value=value, code=code, rule=rule, next_step=next_step)


def _text(content: bytes, faults: list[SheetFault]) -> str | None:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        row = content[: wrong.start].count(b"\n") + 1
        step = 'save it as "CSV UTF-8" and bring it again'
        shown = content[max(0, wrong.start - 10) : wrong.start + 10].decode("latin-1")
        faults.append(
            SheetFault(
                row=row, column=None, value=shown, code="not_utf8", rule="a file is UTF-8", next_step=step
            )
        )
        return None
    if "\x00" in text:
        faults.append(
            _of_file("not_text", "NUL", "a file is text", "export it as CSV, not as a spreadsheet's own file")
        )
        return None
    return text


def _separator(text: str, columns: SheetColumns) -> str:
    """The separator that splits the head into the most known columns."""
    head = text.partition("\n")[0].strip("\r").replace('"', "")

    def known(separator: str) -> int:
        return sum(cell.strip().casefold() in columns.readers for cell in head.split(separator))

    return max(SEPARATORS.values(), key=known)


def _records(text: str, separator: str, faults: list[SheetFault]) -> list[tuple[int, list[str]]]:
    found: list[tuple[int, list[str]]] = []
    try:
        for number, cells in enumerate(
            csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True), 1
        ):
            if len(found) > MAX_ROWS:
                rule = f"a file has at most {MAX_ROWS} rows"
                faults.append(_of_file("too_many_rows", str(number), rule, "bring it in parts"))
                return []
            found.append((number, cells))
    except csv.Error as wrong:
        rule = "a quote inside a quoted cell is doubled, and every quote that opens also closes"
        faults.append(
            SheetFault(
                row=len(found) + 1,
                column=None,
                value=str(wrong),
                code="quotes_broken",
                rule=rule,
                next_step="correct the quotes of this row",
            )
        )
        return []
    return found


def _check_head(sheet: Sheet, columns: SheetColumns) -> None:
    def fault(code: str, column: str, rule: str, step: str) -> None:
        sheet.faults.append(
            SheetFault(
                row=1, column=column or None, value=column[:MAX_CELL], code=code, rule=rule, next_step=step
            )
        )

    every = ", ".join(columns.readers)
    if len(sheet.columns) > MAX_COLUMNS:
        fault("too_many_columns", "", f"a file has at most {MAX_COLUMNS} columns", "leave the others out")
        return
    for place, name in enumerate(sheet.columns):
        if name in sheet.columns[:place]:
            fault("column_twice", name, "a column stands once", "leave one of the two out")
        elif name not in columns.readers:
            fault("column_unknown", name, f"the columns are {every}", "correct the name, or leave it out")
    for name in columns.required:
        if name not in sheet.columns:
            fault("column_missing", name, f"a file has the column {name}", f"add the column {name}")


def _read_row(sheet: Sheet, number: int, cells: list[str], readers: Mapping[str, Reader]) -> None:
    width = len(sheet.columns)
    if len(cells) < width or any(cell.strip() for cell in cells[width:]):
        rule = f"a row has as many cells as the head, {width}"
        step = "check the row for a separator too many or too few; quote a cell that has one in it"
        sheet.faults.append(
            SheetFault(
                row=number, column=None, value=str(len(cells)), code="cells_differ", rule=rule, next_step=step
            )
        )
        return
    values: dict[str, Any] = {}
    for column, cell in zip(sheet.columns, cells, strict=False):
        try:
            values[column] = _read_cell(cell, readers[column])
        except CellFault as wrong:
            sheet.faults.append(
                SheetFault(
                    row=number,
                    column=column,
                    value=cell[:MAX_CELL],
                    code=wrong.code,
                    rule=wrong.rule,
                    next_step=wrong.next_step,
                )
            )
    sheet.rows.append(SheetRow(number, values))


def _read_cell(cell: str, reader: Reader) -> Any:
    if not cell.strip():
        return None
    text = cell[1:] if _ESCAPED.match(cell) else cell
    if len(text) > MAX_CELL:
        raise CellFault("too_long", f"a cell has at most {MAX_CELL} characters", "shorten it")
    return reader(text)


# ---------------------------------------------------------------- what a cell may be


def number_reader(*, least: float, most: float, whole: bool = False) -> Callable[[bool], Reader]:
    """Numbers between two bounds, both included. whole : without decimals."""

    def of_file(decimal_comma: bool) -> Reader:
        def read(text: str) -> float | int:
            value = _number(text.strip(), decimal_comma)
            if whole and value != int(value):
                raise CellFault("not_whole", "it is a whole number", "leave the decimals out")
            if not least <= value <= most:
                rule = f"it lies between {least:g} and {most:g}"
                raise CellFault("out_of_bounds", rule, "check the value and its unit")
            return int(value) if whole else value

        return read

    return of_file


def _number(text: str, decimal_comma: bool) -> float:
    if decimal_comma and _GROUPED.fullmatch(text):
        plain = text.replace(".", "")
        rule = "in a file with semicolons a point before three digits may group thousands or be decimal"
        raise CellFault("number_ambiguous", rule, f"write {plain}, or {text.replace('.', ',', 1)}")
    if decimal_comma and _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    if _POINT.fullmatch(text):
        return float(text)
    if _COMMA.fullmatch(text):
        rule = "in a file with commas a number has a decimal point"
        raise CellFault("decimal_comma", rule, f"write {text.replace(',', '.')}, or use semicolons")
    raise CellFault("not_a_number", "it is a number without sign, unit or grouping", "write it like 1234.5")


def text_reader(most: int, pattern: str | None = None, rule: str = "") -> Callable[[bool], Reader]:
    """Texts of at most so many characters that can be printed. rule : what the pattern asks for, in words."""

    def read(text: str) -> str:
        if pattern is not None:
            text = text.strip()
        if not text.isprintable():
            raise CellFault("not_printable", "its characters can be printed", "leave the others out")
        if len(text) > most:
            raise CellFault("too_long", f"it has at most {most} characters", "shorten it")
        if pattern is not None and not re.fullmatch(pattern, text):
            raise CellFault("name_not_valid", rule, "give a code here, and the name as display_name")
        return text

    return lambda _: read


def day_reader(_: bool) -> Reader:
    """ListDays as ISO 8601 has them."""

    def read(text: str) -> str:
        try:
            if _DAY.fullmatch(text.strip()):
                return date.fromisoformat(text.strip()).isoformat()
        except ValueError:
            pass
        raise CellFault("not_a_date", "a date is written year-month-day", "write it like 2026-12-04")

    return read


def yes_no_reader(_: bool) -> Reader:
    """yes or no."""

    def read(text: str) -> bool:
        if text.strip().casefold() not in ("yes", "no"):
            raise CellFault("not_yes_or_no", "it is yes or no", "write yes or no")
        return text.strip().casefold() == "yes"

    return read
