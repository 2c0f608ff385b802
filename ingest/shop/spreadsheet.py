"""
Tables as CSV, as a spreadsheet writes and opens them (RFC 4180, and the semicolon of many locales).

Promises: pure. What was written is read back as the same values. Every fault of a file is named by row and
column, with what stands there, the rule and the next step. No cell that is written is a formula to a
spreadsheet: OWASP, "CSV Injection", names the leading characters = + - @, tab and carriage return.
Rules of reading:
- UTF-8, with or without byte order mark; comma or semicolon, whichever splits the head into known columns.
- A number has a decimal point. In a file with semicolons it may have a decimal comma, and points that group
  thousands (8.120,5). One point before exactly three digits is refused there: it may be either.
- A date is ISO 8601. In a file with semicolons it may be day.month.year, as German office programs save it.
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

from cleanside.ingest.shop.sheet_texts import TEXTS

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
_DOTTED_DAY = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")


@dataclass(frozen=True, kw_only=True)
class SheetFault:
    """One thing wrong with a file. row : as a spreadsheet counts, the head is 1; None: the whole file."""

    row: int | None
    column: str | None
    value: str
    #: a key of `sheet_texts.TEXTS`
    code: str
    #: of rule and next step
    values: Mapping[str, Any] = field(default_factory=dict)

    @property
    def rule(self) -> str:
        """What the file must be like there."""
        return TEXTS[self.code].rule.format_map(self.values)

    @property
    def next_step(self) -> str:
        """What to do about it."""
        return TEXTS[self.code].next_step.format_map(self.values)


class CellFault(ValueError):
    """A cell that is not as its column wants it."""

    def __init__(self, code: str, /, **values: Any) -> None:
        """code, values : of `SheetFault`."""
        super().__init__(code)
        self.code, self.values = code, values


@dataclass(frozen=True)
class SheetRow:
    """A row: its number, and column -> value; None: the cell is empty. Columns left out are not in it."""

    number: int
    values: Mapping[str, Any]


def fault_in(row: SheetRow, column: str, shown: Any, code: str, /, **values: Any) -> SheetFault:
    """A fault across the cells of a row. shown : what stands there; None: nothing."""
    text = "" if shown is None else str(shown)
    return SheetFault(row=row.number, column=column, value=text, code=code, values=values)


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
            sheet.faults.append(_of_file("empty", ""))
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


def _of_file(code: str, shown: str, /, **values: Any) -> SheetFault:
    return SheetFault(row=None, column=None, value=shown, code=code, values=values)


def _text(content: bytes, faults: list[SheetFault]) -> str | None:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        row = content[: wrong.start].count(b"\n") + 1
        shown = content[max(0, wrong.start - 10) : wrong.start + 10].decode("latin-1")
        faults.append(SheetFault(row=row, column=None, value=shown, code="not_utf8"))
        return None
    if "\x00" in text:
        faults.append(_of_file("not_text", "NUL"))
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
                faults.append(_of_file("too_many_rows", str(number), most=MAX_ROWS))
                return []
            found.append((number, cells))
    except csv.Error as wrong:
        broken = SheetFault(row=len(found) + 1, column=None, value=str(wrong), code="quotes_broken")
        faults.append(broken)
        return []
    return found


def _check_head(sheet: Sheet, columns: SheetColumns) -> None:
    def fault(code: str, column: str, /, **values: Any) -> None:
        shown = column[:MAX_CELL]
        sheet.faults.append(SheetFault(row=1, column=column or None, value=shown, code=code, values=values))

    if len(sheet.columns) > MAX_COLUMNS:
        fault("too_many_columns", "", most=MAX_COLUMNS)
        return
    for place, name in enumerate(sheet.columns):
        if name in sheet.columns[:place]:
            fault("column_twice", name)
        elif name not in columns.readers:
            fault("column_unknown", name, columns=", ".join(columns.readers))
    for name in columns.required:
        if name not in sheet.columns:
            fault("column_missing", name, name=name)


def _read_row(sheet: Sheet, number: int, cells: list[str], readers: Mapping[str, Reader]) -> None:
    width = len(sheet.columns)
    if len(cells) < width or any(cell.strip() for cell in cells[width:]):
        about = {"width": width}
        fault = SheetFault(row=number, column=None, value=str(len(cells)), code="cells_differ", values=about)
        sheet.faults.append(fault)
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
                    values=wrong.values,
                )
            )
    sheet.rows.append(SheetRow(number, values))


def _read_cell(cell: str, reader: Reader) -> Any:
    if not cell.strip():
        return None
    text = cell[1:] if _ESCAPED.match(cell) else cell
    if len(text) > MAX_CELL:
        raise CellFault("too_long", most=MAX_CELL)
    return reader(text)


# ---------------------------------------------------------------- what a cell may be


def number_reader(*, least: float, most: float, whole: bool = False) -> Callable[[bool], Reader]:
    """Numbers between two bounds, both included. whole : without decimals."""

    def of_file(decimal_comma: bool) -> Reader:
        def read(text: str) -> float | int:
            value = _number(text.strip(), decimal_comma)
            if whole and value != int(value):
                raise CellFault("not_whole")
            if not least <= value <= most:
                raise CellFault("out_of_bounds", least=least, most=most)
            return int(value) if whole else value

        return read

    return of_file


def _number(text: str, decimal_comma: bool) -> float:
    if decimal_comma and _GROUPED.fullmatch(text):
        plain = text.replace(".", "")
        if "," not in text and text.count(".") == 1:
            raise CellFault("number_ambiguous", plain=plain, decimal=text.replace(".", ","))
        return float(plain.replace(",", "."))
    if decimal_comma and _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    if _POINT.fullmatch(text):
        return float(text)
    if _COMMA.fullmatch(text):
        raise CellFault("decimal_comma", plain=text.replace(",", "."))
    raise CellFault("not_a_number")


def text_reader(
    most: int, pattern: str | None = None, *, not_matched: str = "name_not_valid"
) -> Callable[[bool], Reader]:
    """
    Texts of at most so many characters that can be printed.

    pattern : of a code; None: any text. not_matched : the fault of another text.
    """

    def read(text: str) -> str:
        if pattern is not None:
            text = text.strip()
        if not text.isprintable():
            raise CellFault("not_printable")
        if len(text) > most:
            raise CellFault("too_long", most=most)
        if pattern is not None and not re.fullmatch(pattern, text):
            raise CellFault(not_matched)
        return text

    return lambda _: read


def day_reader(decimal_comma: bool) -> Reader:
    """Days as ISO 8601 has them; day.month.year too, where a file has semicolons."""

    def read(text: str) -> str:
        try:
            if _DAY.fullmatch(text.strip()):
                return date.fromisoformat(text.strip()).isoformat()
            if decimal_comma and (dotted := _DOTTED_DAY.fullmatch(text.strip())):
                day, month, year = map(int, dotted.groups())
                return date(year, month, day).isoformat()
        except ValueError:
            pass
        raise CellFault("not_a_date")

    return read


def yes_no_reader(_: bool) -> Reader:
    """yes or no."""

    def read(text: str) -> bool:
        if text.strip().casefold() not in ("yes", "no"):
            raise CellFault("not_yes_or_no")
        return text.strip().casefold() == "yes"

    return read
