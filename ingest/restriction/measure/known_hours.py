"""
What was made of the hours of a housing one by one, kept for its next summaries.

Promises: equal to what the summaries alone give, because an hour is taken over only where it, and all that is
given beside it, are as before. Threads may share what is kept.
Leaves to others: which values go by their hour alone (`reference`, `flow_pairs`, `verdict.suspect`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray, Summaries


class Rows(NamedTuple):
    """Values of hours, shape (n,) each; of an hour none, one or several."""

    place: IntArray  # of their hours, not falling
    values: tuple[FloatArray, ...]


class Beside(NamedTuple):
    """What rows rest on beside the summaries."""

    of_all: object  # compared by value
    by_hour: tuple[FloatArray | BoolArray, ...]  # shape (hours,) each


class _Made(NamedTuple):
    mark: object  # of the summaries
    beside: Beside
    rows: Rows


class KnownHours:
    """The rows that were last made of the hours of a housing."""

    def __init__(self) -> None:
        self._last: _Made | None = None

    def same_until(self, table: Summaries, beside: Beside) -> tuple[int, Rows | None]:
        """How many hours from the first are as they were, and the rows made then; None: of none."""
        last = self._last
        if last is None or last.beside.of_all != beside.of_all:
            return 0, None
        same = table.same_hours(last.mark)
        for was, now in zip(last.beside.by_hour, beside.by_hour, strict=True):
            moved = np.flatnonzero(was[:same] != now[:same])
            same = int(moved[0]) if len(moved) else same
        return same, last.rows

    def keep(self, table: Summaries, beside: Beside, rows: Rows) -> None:
        """For the next summaries."""
        self._last = _Made(table.mark, beside, rows)


def hour_by_hour(table: Summaries, name: str, beside: Beside, make: Callable[[int], Rows]) -> Rows:
    """
    Rows of which each goes by its hour alone, those of hours that did not change taken from the run before.

    name : of the rows, among all that is handed on. make : the rows from an hour on, with places counted from
    there.
    """
    known: KnownHours = table.handed_on(name, KnownHours)
    first, before = known.same_until(table, beside)
    rows = joined(before, first, make(first))
    known.keep(table, beside, rows)
    return rows


def joined(before: Rows | None, first: int, late: Rows) -> Rows:
    """Rows of the hours before one, and late ones, whose places are counted from that hour on."""
    if before is None or first == 0:
        return late
    end = int(np.searchsorted(before.place, first))
    each = zip(before.values, late.values, strict=True)
    values = tuple(np.concatenate((was[:end], new)) for was, new in each)
    return Rows(np.concatenate((before.place[:end], late.place + first)), values)
