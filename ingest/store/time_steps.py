"""
Readings in equal steps of time: how many, their mean, lowest and highest, for each quantity. Pure.

Promises: steps are counted from 1970 UTC, so equal resolutions have the same steps for any span. Parts may be
put into steps one by one, in any order, and joined.
Leaves to others: where the readings come from (`ingest.store.raw`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Values:
    """One quantity in each step; arrays of shape (n,)."""

    #: readings that have it
    count: IntArray
    #: in SI; 0 where there is none
    total: FloatArray
    #: in SI; NaN where there is none
    lowest: FloatArray
    highest: FloatArray

    def first(self, limit: int) -> Values:
        """Those of the first steps."""
        return Values(self.count[:limit], self.total[:limit], self.lowest[:limit], self.highest[:limit])

    @property
    def mean(self) -> FloatArray:
        """Mean of the readings that have the quantity, in SI, shape (n,); NaN where there is none."""
        absent = self.count == 0
        means: FloatArray = np.where(absent, np.nan, self.total / np.where(absent, 1, self.count))
        return means


@dataclass(frozen=True, slots=True)
class TimeSteps:
    """Steps that have readings, in order of time; arrays of shape (n,)."""

    #: whole steps since 1970
    step: IntArray
    #: readings of the step, whatever quantities they have
    readings: IntArray
    #: column -> its values
    values: dict[str, Values]

    def __len__(self) -> int:
        """How many steps, not how many fields."""
        return len(self.step)

    def first(self, limit: int) -> TimeSteps:
        """The first steps."""
        values = {name: v.first(limit) for name, v in self.values.items()}
        return TimeSteps(self.step[:limit], self.readings[:limit], values)

    @classmethod
    def of_rows(cls, rows: Sequence[Sequence[Any]], columns: Sequence[str]) -> TimeSteps:
        """From rows of a database: step, readings, then count, sum, lowest, highest of each column."""
        table = np.array(rows, dtype=np.float64).reshape(len(rows), 2 + 4 * len(columns))
        values = {}
        for index, name in enumerate(columns):
            count, total, lowest, highest = table[:, 2 + 4 * index : 6 + 4 * index].T
            values[name] = Values(count.astype(np.int64), np.nan_to_num(total), lowest, highest)
        return cls(table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), values)


def bucketed(at_us: IntArray, values: Mapping[str, FloatArray], resolution_us: int) -> TimeSteps:
    """
    Put readings into steps.

    at_us : instants in any order, shape (n,). [us] values : column -> SI, shape (n,), NaN where absent.
    resolution_us : length of a step, > 0. Raises ValueError if it is not.
    """
    if resolution_us <= 0:
        raise ValueError(f"resolution {resolution_us} us is no length of time; give more than 0")
    step = at_us // resolution_us
    if (step[1:] < step[:-1]).any():
        order = np.argsort(step, kind="stable")
        step, values = step[order], {name: column[order] for name, column in values.items()}
    starts = np.flatnonzero(np.diff(step, prepend=step[:1] - 1))
    readings = np.diff(starts, append=len(step))
    return TimeSteps(step[starts], readings, {name: _put(column, starts) for name, column in values.items()})


def _put(column: FloatArray, starts: IntArray) -> Values:
    """starts : where each step begins, shape (steps,)."""
    present = ~np.isnan(column)
    if not present.any():
        nothing = np.full(len(starts), np.nan)
        return Values(np.zeros(len(starts), np.int64), np.zeros(len(starts)), nothing, nothing)
    count = np.add.reduceat(present, starts, dtype=np.int64)
    total = np.add.reduceat(np.where(present, column, 0.0), starts)
    return Values(count, total, np.fmin.reduceat(column, starts), np.fmax.reduceat(column, starts))


def merged(parts: Sequence[TimeSteps], columns: Sequence[str]) -> TimeSteps:
    """Steps of several parts as one; parts may have steps in common."""
    parts = [part for part in parts if len(part)]
    nothing = np.empty(0, np.int64)
    step = np.concatenate([nothing, *(part.step for part in parts)])
    steps, place = np.unique(step, return_inverse=True)
    readings = np.zeros(len(steps), np.int64)
    np.add.at(readings, place, np.concatenate([nothing, *(part.readings for part in parts)]))
    values = {name: _merge([part.values[name] for part in parts], place, len(steps)) for name in columns}
    return TimeSteps(steps, readings, values)


def _merge(parts: Sequence[Values], place: IntArray, many: int) -> Values:
    none = np.empty(0, np.float64)
    count, total = np.zeros(many, np.int64), np.zeros(many)
    lowest, highest = np.full(many, np.nan), np.full(many, np.nan)
    np.add.at(count, place, np.concatenate([none.astype(np.int64), *(part.count for part in parts)]))
    np.add.at(total, place, np.concatenate([none, *(part.total for part in parts)]))
    np.fmin.at(lowest, place, np.concatenate([none, *(part.lowest for part in parts)]))
    np.fmax.at(highest, place, np.concatenate([none, *(part.highest for part in parts)]))
    return Values(count, total, lowest, highest)
