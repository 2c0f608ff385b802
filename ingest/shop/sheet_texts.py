"""What is wrong with a spreadsheet, as the answer to programs says it: rule and next step of each code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class SheetText(NamedTuple):
    """What a file must be like, and what to do where it is not; with places for the values of a fault."""

    rule: str
    next_step: str


#: code of a fault -> its text
TEXTS: Mapping[str, SheetText] = {
    # the file
    "empty": SheetText("a file has a head and rows", "fill in a row"),
    "not_utf8": SheetText("a file is UTF-8", 'save it as "CSV UTF-8" and bring it again'),
    "not_text": SheetText("a file is text", "export it as CSV, not as a spreadsheet's own file"),
    "too_many_rows": SheetText("a file has at most {most} rows", "bring it in parts"),
    "too_many_columns": SheetText("a file has at most {most} columns", "leave the others out"),
    "quotes_broken": SheetText(
        "a quote inside a quoted cell is doubled, and every quote that opens also closes",
        "correct the quotes of this row",
    ),
    # its head
    "column_twice": SheetText("a column stands once", "leave one of the two out"),
    "column_unknown": SheetText("the columns are {columns}", "correct the name, or leave it out"),
    "column_missing": SheetText("a file has the column {name}", "add the column {name}"),
    # a row
    "cells_differ": SheetText(
        "a row has as many cells as the head, {width}",
        "check the row for a separator too many or too few; quote a cell that has one in it",
    ),
    "name_missing": SheetText("a row names its machine", "fill it in"),
    "part_missing": SheetText("a row names its part", "fill it in"),
    "row_twice": SheetText(
        "a housing has one row, and a part one row a site; this one stands in row {first}",
        "leave one of the two out, or correct its housing or site",
    ),
    "rows_disagree": SheetText(
        "the rows of a machine or part say the same of it; row {first} says {other}", "make them equal"
    ),
    "limit_incomplete": SheetText(
        "a change limit is a number and the unit of the gauge", "fill in both, or neither"
    ),
    "limit_too_high": SheetText(
        "no reading above {most_kpa:g} kPa is taken; this is {value_kpa:g} kPa",
        "look at value and unit in the manual again",
    ),
    "meter_incomplete": SheetText("an hour meter is read at a time", "say when it was read"),
    "meter_contradicts": SheetText(
        "a meter runs forwards and no faster than the clock; {other_h:g} h were read at {other_at}",
        "correct it; after a new meter give the hours before it as meter_offset_hours",
    ),
    "meter_below_worked": SheetText(
        "the monitors saw the engine run for {seen_h:g} h, so a meter shows no less",
        "correct it; after a new meter give the hours before it as meter_offset_hours",
    ),
    "meter_first_high": SheetText(
        "a first reading above {most_h:g} h is more than ten years without a stop",
        "correct it; if it is right, give the hours before this meter as meter_offset_hours, 0 for none",
    ),
    "in_future": SheetText("it is {now} now", "enter a meter once it was read"),
    "span_not_valid": SheetText(
        "a machine is laid up from a day until the same or a later one", "correct one of the two days"
    ),
    "stock_incomplete": SheetText("stock is a number of pieces at a site", "fill in both, or neither"),
    # a cell
    "too_long": SheetText("it has at most {most} characters", "shorten it"),
    "not_printable": SheetText("its characters can be printed", "leave the others out"),
    "name_not_valid": SheetText(
        "1 to 64 letters, digits and - . : _ only", "give a code here, and the name as display_name"
    ),
    "group_name_not_valid": SheetText(
        "a site or crew stands by its code: 1 to 64 letters, digits and - . : _ only",
        "write its code; what people call it is entered on the page Shop",
    ),
    "group_name_near": SheetText(
        "a site or crew stands by its code: 1 to 64 letters, digits and - . : _ only",
        "write {likely}, if that one is meant; what people call it is entered on the page Shop",
    ),
    "not_a_number": SheetText("it is a number without sign, unit or grouping", "write it like 1234.5"),
    "number_ambiguous": SheetText(
        "in a file with semicolons a point before three digits may group thousands or be decimal",
        "write {plain}, or {decimal}",
    ),
    "decimal_comma": SheetText(
        "in a file with commas a number has a decimal point", "write {plain}, or use semicolons"
    ),
    "not_whole": SheetText("it is a whole number", "leave the decimals out"),
    "out_of_bounds": SheetText("it lies between {least:g} and {most:g}", "check the value and its unit"),
    "unit_unknown": SheetText("it is one of {known}", "write {likely}"),
    "not_a_date": SheetText("a date is written year-month-day", "write it like 2026-12-04"),
    "not_a_time": SheetText(
        "it is a day, or a time with a date, a time of day and an offset from UTC",
        "write it like 2026-12-04, or 2026-12-04T06:30:00+01:00",
    ),
    "not_yes_or_no": SheetText("it is yes or no", "write yes or no"),
}
