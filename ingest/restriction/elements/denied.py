"""
A fall that a person denies: the readings after it contradict the entry, until they fit or somebody looks.

A level that falls while the element stays is a tube that came off, a tap that is plugged, an element that
tore, light work, or one that dried. The readings do not say which: the element is judged by those before.
Promises: pure. The fall is looked for within DENIED_ROWS of the entry. The readings count again from where
the level is back, or from where a person worked on the element or looked at it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.elements.entries import DENIED_ROWS, WeighedEntry, denied_rows
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray

NEAR_ROWS = 6  # hours on each side whose middle is a level; one odd hour makes no fall (chosen)
LEAST_FALL = 0.25  # of the level before: less is work and weather (chosen)
FITS_AGAIN = 0.5  # of the fall that has to be made up; half of it is nearer to the level before (chosen)
FITS_ROWS = 3  # hours on end (chosen)


@dataclass(frozen=True, kw_only=True)
class DeniedFall:
    """A fall that a person denies, and the rows that contradict it."""

    at_s: float  # the first hour of the new level [s since 1970-01-01 UTC]
    before_pa: float
    after_pa: float  # the newest level of these rows
    first: int  # row of the series
    last: int  # the row after the last of them


def denied_falls(
    hour_s: FloatArray, level_pa: FloatArray, believed: BoolArray, weighed: Sequence[WeighedEntry]
) -> list[DeniedFall]:
    """
    The falls that people deny, in time order.

    hour_s, level_pa, believed : rows of the series, and which of them are fit to judge by, shape (n,).
    weighed : what people entered.
    """
    place = np.flatnonzero(believed)
    found = []
    for row in denied_rows(weighed):
        split = _deepest(place, level_pa, row)
        if split is not None:
            found.append(_until_it_fits(place, hour_s, level_pa, split, _looked_rows(weighed, row)))
    return found


def in_doubt(falls: Sequence[DeniedFall], rows: int) -> BoolArray:
    """Rows of the series that contradict a denial, shape (rows,)."""
    doubt = np.zeros(rows, dtype=bool)
    for fall in falls:
        doubt[fall.first : fall.last] = True
    return doubt


def _looked_rows(weighed: Sequence[WeighedEntry], denied: int) -> list[int]:
    """Rows at which a person worked on the element, about the denied fall or later, or looked at it later."""
    worked = [
        w.row for w in weighed if w.begins_life and w.used_s is not None and w.row >= denied - DENIED_ROWS
    ]
    return worked + [w.row for w in weighed if w.entry.what == "inspected" and w.row > denied]


def _deepest(place: IntArray, level_pa: FloatArray, row: int) -> int | None:
    """The number, among believed rows, at which the deepest fall near a row begins; None: there is none."""
    near = np.flatnonzero(np.abs(place - row) <= DENIED_ROWS)
    deepest, split = LEAST_FALL, None
    for number in near[near > 0].tolist():
        before_pa, after_pa = _levels(place, level_pa, number)
        if before_pa > 0 and (share := (before_pa - after_pa) / before_pa) > deepest:
            deepest, split = share, number
    return split


def _levels(place: IntArray, level_pa: FloatArray, number: int) -> tuple[float, float]:
    before = level_pa[place[max(0, number - NEAR_ROWS) : number]]
    return float(np.median(before)), float(np.median(level_pa[place[number : number + NEAR_ROWS]]))


def _until_it_fits(
    place: IntArray, hour_s: FloatArray, level_pa: FloatArray, number: int, looked: Sequence[int]
) -> DeniedFall:
    before_pa, after_pa = _levels(place, level_pa, number)
    fits = level_pa[place] >= after_pa + FITS_AGAIN * (before_pa - after_pa)
    runs = np.convolve(fits, np.ones(FITS_ROWS), mode="valid") >= FITS_ROWS
    back = np.flatnonzero(runs[number:])
    last = int(place[number + back[0]]) if len(back) else len(hour_s)
    last = min([last, *looked])
    mine = place[number:][place[number:] < last]
    newest_pa = float(np.median(level_pa[mine[-NEAR_ROWS:]])) if len(mine) else after_pa
    first = int(place[number])
    at_s = float(hour_s[first])
    return DeniedFall(at_s=at_s, before_pa=before_pa, after_pa=newest_pa, first=first, last=max(first, last))
