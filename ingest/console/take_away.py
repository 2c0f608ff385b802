"""
Tables to take away, for a spreadsheet: the fleet, the work list, the plan of visits.

Promises: pure. A time is that of the page, in the viewer's zone: the zone stands in the column's head and the
offset in each cell (RFC 3339), so that no cell can be read as another instant. No text is a formula to a
spreadsheet. With semicolons numbers have decimal commas, as the spreadsheets of the shop.
Leaves to others: which rows there are (the pages).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fastapi import Response

from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.shop.spreadsheet import SEPARATORS, safe_cell


@dataclass(frozen=True, kw_only=True)
class TakenAway:
    """A table by its columns; each has its head in the words of `words`."""

    file: str  # its name, without an ending
    words: str
    columns: Sequence[str]
    numbers: frozenset[str] = field(default_factory=frozenset)  # columns of these

    def answer(self, say: Sayer, rows: Iterable[Mapping[str, str]], separator: str) -> Response:
        """The file. rows : cells by column, a number with a point; separator : a key of `SEPARATORS`."""
        heads = [say.plain(f"{self.words}.{name}", zone=say.formats.zone_key) for name in self.columns]
        comma = separator == "semicolon"
        lines = [[self._cell(name, row[name], comma) for name in self.columns] for row in rows]
        headers = {"Content-Disposition": f'attachment; filename="{self.file}.csv"'}
        content = csv_of([heads, *lines], separator)
        return Response(content, media_type="text/csv; charset=utf-8", headers=headers)

    def _cell(self, name: str, text: str, comma: bool) -> str:
        if name not in self.numbers:
            return safe_cell(text)
        return text.replace(".", ",") if comma else text


def csv_of(rows: Iterable[Sequence[str]], separator: str) -> bytes:
    """
    A file of comma-separated values (RFC 4180), or with semicolons.

    With byte order mark, as office programs take a file without one to be in the codes of their country.
    """
    out = io.StringIO()
    csv.writer(out, delimiter=SEPARATORS[separator]).writerows(rows)
    return out.getvalue().encode("utf-8-sig")


def plain(value: float | None, decimals: int) -> str:
    """A number as programs write it; None: an empty cell."""
    return "" if value is None else f"{value:.{decimals}f}"


def percent(share: float | None) -> str:
    """A share of 0 to 1 in whole per cents; None: an empty cell."""
    return plain(None if share is None else 100 * share, 0)


def local(say: Sayer, at: str | None) -> str:
    """An instant of the contract as RFC 3339 in the viewer's zone, to the second; None: an empty cell."""
    return "" if at is None else say.formats.moment(at).isoformat(timespec="seconds")


def dates(say: Sayer, one: Mapping[str, Any]) -> dict[str, str]:
    """
    The cells early, likely and late of a forecast. one : with `due_at` and `state`.

    Over the limit they are the word of the pages, and not the instant of the download.
    """
    points, due_at = {"early": "p10", "likely": "p50", "late": "p90"}, one["due_at"] or {}
    if one["state"] == "over":
        return dict.fromkeys(points, say.plain("fleet.reached"))
    return {name: local(say, due_at.get(point)) for name, point in points.items()}


def file_addresses(page: str) -> dict[str, str]:
    """The files of a page, by separator. page : its address, with its query."""
    path, _, query = page.partition("?")
    return {
        separator: f"{path}.csv?{query}".rstrip("?&")
        if separator == "comma"
        else f"{path}.csv?{f'{query}&' if query else ''}separator={separator}"
        for separator in SEPARATORS
    }
