"""
Replay a recorded file: each row a reading, at its own pace, faster, or as fast as the disk allows.

Promises: each row exactly once and in order, whatever happens in between: the row number is stored with the
readings. Times are the file's own. A row that cannot be read is reported and counted, never guessed at.
Leaves to others: what the columns mean (the settings say).

Options: `path`; `columns` (column -> "quantity unit"); either `time_column` (RFC 3339 with an offset), or
`start` (RFC 3339) with `step_s` or with `elapsed_column` (seconds since start); `pace`: a factor (1 is the
pace of the recording) or "none"; `uncertainty_s` of the times (0: exact; absent: unknown); `delimiter`.
"""

from __future__ import annotations

import csv
import math
import threading
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from cleanside.gateway.errors import NotAReading, SourceWrong, why
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.options import Options
from cleanside.gateway.timing.clock import Clock
from cleanside.gateway.wire import NotAnInstant, Reading, datetime_of, parse_instant, us_of

_AT_ONCE = (
    500  # rows a commit where the pace allows; chosen: the cost of a commit is shared, memory stays small
)
_WAIT_S = 0.5  # longest wait in one go, so that a stop is noticed


@dataclass(frozen=True, slots=True)
class _Row:
    number: int
    reading: Reading | None  # None: could not be read


class CsvSource:
    """A recorded file."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work."""
        given = Options(context.name, options)
        self._context = context
        self._path = Path(given.needed("path"))
        self._columns = given.columns("columns")
        self._units = dict(self._columns.values())
        if len(self._units) != len(self._columns):
            raise given.wrong("quantity_twice")
        self._delimiter = given.text("delimiter", ",") or ","
        self._uncertainty_s = given.number("uncertainty_s", above=-1e-12)
        self._pace = _pace(given)
        self._at_us = _time_rule(given)
        given.done()

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit each row after the last one that was kept."""
        done = int(self._context.mark() or 0)
        with closing(self._lines()) as rows:
            header = next(rows, [])
            self._check(header)
            pending = (self._read(number, header, row) for number, row in enumerate(rows, 1) if number > done)
            self._play(pending, emit, stop)

    def _lines(self) -> Generator[list[str]]:
        """Header and rows. Raises SourceWrong where the file cannot be read."""
        try:
            with self._path.open(encoding="utf-8-sig", newline="") as file:
                yield from csv.reader(file, delimiter=self._delimiter)
        except (OSError, UnicodeError, csv.Error) as error:
            raise self._wrong("file_unreadable", path=self._path, why=why(error)) from error

    def _wrong(self, code: str, /, **values: Any) -> SourceWrong:
        return Options(self._context.name, {}).wrong(code, **values)

    def _check(self, header: Sequence[str]) -> None:
        if not header:
            raise self._wrong("file_empty", path=self._path)
        missing = [column for column in self._columns if column not in header]
        if missing:
            raise self._wrong(
                "column_missing", path=self._path, missing=", ".join(missing), header=", ".join(header)[:200]
            )

    def _read(self, number: int, header: Sequence[str], row: Sequence[str]) -> _Row:
        cells = dict(zip(header, row, strict=False))
        try:
            values = {
                quantity: _number(column, cells[column])
                for column, (quantity, _) in self._columns.items()
                if cells.get(column, "").strip()
            }
            at = datetime_of(self._at_us(number, cells))
            return _Row(
                number,
                Reading(at=at, at_uncertainty_s=self._uncertainty_s, values=values, units=self._units),
            )
        except (ValueError, KeyError, OverflowError) as error:
            self._context.report("row_not_read", row=number, reason=str(error))
            return _Row(number, None)

    def _play(self, rows: Iterable[_Row], emit: Emit, stop: threading.Event) -> None:
        group: list[_Row] = []
        due = _Due(self._context.clock, self._pace)
        for row in rows:
            if group and (len(group) == _AT_ONCE or due.left_s(row) > 0):
                _emit(group, emit)
                group = []
            while (left_s := due.left_s(row)) > 0 and not stop.is_set():
                self._context.clock.wait(stop, min(_WAIT_S, left_s))
            if stop.is_set():
                return
            group.append(row)
        if group:
            _emit(group, emit)


def _emit(group: Sequence[_Row], emit: Emit) -> None:
    emit([row.reading for row in group if row.reading is not None], mark=str(group[-1].number))


class _Due:
    """When a row is due: as far after the first one as it was recorded, divided by the pace."""

    def __init__(self, clock: Clock, pace: float | None) -> None:
        self._clock = clock
        self._pace = pace
        self._begin: tuple[int, int] | None = None  # since boot, and the first row's instant

    def left_s(self, row: _Row) -> float:
        """Seconds until the row is due; 0 or less: it is."""
        if self._pace is None or row.reading is None or row.reading.at is None:
            return 0.0
        at_us, now_us = us_of(row.reading.at), self._clock.since_boot_us()
        if self._begin is None:
            self._begin = (now_us, at_us)
        return (self._begin[0] + (at_us - self._begin[1]) / self._pace - now_us) / 1e6


def _number(column: str, text: str) -> float:
    try:
        value = int(text) if text.strip().lstrip("+-").isdecimal() else float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise NotAReading("not_a_number", column=column, text=text[:40])
    return value


def _pace(given: Options) -> float | None:
    return given.number("pace", 1.0, none="none")


def _time_rule(given: Options) -> Callable[[int, Mapping[str, str]], int]:
    """How the time of a row is found: (row number from 1, cells) -> us since 1970."""
    time_column = given.text("time_column")
    start = given.text("start")
    step_s = given.number("step_s")
    elapsed_column = given.text("elapsed_column")
    if time_column is not None and start is None:
        return lambda _, cells: parse_instant(cells[time_column].strip()).us
    if start is None or time_column is not None or (step_s is None) == (elapsed_column is None):
        raise given.wrong("no_time_of_rows")
    try:
        start_us = parse_instant(start).us
    except NotAnInstant as error:
        raise given.wrong("start_not_an_instant", why=str(error), rule=error.code) from None
    if elapsed_column is not None:
        return lambda _, cells: start_us + round(_number(elapsed_column, cells[elapsed_column]) * 1e6)
    assert step_s is not None
    step_us = timedelta(seconds=step_s) // timedelta(microseconds=1)
    return lambda number, _: start_us + (number - 1) * step_us
