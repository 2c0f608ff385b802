"""
Element changes found in the series of restriction at the reference flow: sustained falls.

Strategy: the upper part of the hours after must lie clearly below the lower part of the hours before.
So a spike that ends (fog, rain in the media) is no change, because the hours before the spike were as low;
a light week is no change, because it is over before the fall counts as sustained; one odd hour moves no
quantile. In a short life the hours before were low too, when the element was new. There a deep fall counts
if the level had climbed through the levels between hour by hour, as loading does and a wet spell does not.
Promises: scale-free in restriction; says how sure it is. What a person entered is weighed in `entries`.
"""

from __future__ import annotations

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.ndimage import rank_filter

from cleanside.ingest.restriction.measure.ranks import between, middle, quantile
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray

BEFORE_ROWS = 150  # operating hours; a wet spell of up to 100 of them leaves the lower part untouched
AFTER_ROWS = 30  # a fall has to last that long to be seen,
SUSTAINED_ROWS = 100  # and that long to be sure
LEAST_BEFORE_ROWS = 20
LOW_PART, HIGH_PART = 0.3, 0.7
LEAST_FALL = 0.08  # of the level before; for a smaller fall no person is asked (chosen)
WANDER_TIMES = 3.0  # a fall must also be that many times the usual step between blocks of AFTER_ROWS
RECENT_ROWS = 24
DEEP_FALL = 0.2  # of the recent level; at 0.16 drift in the open field series counts as a change
BEYOND_WET_FALL = 0.45  # no end of a wet spell falls that far (open field series: 0.42 at most)
CLIMB_ROWS = 18  # hours spent between the two levels on the way up; a wet spell that swells for a day has 13,
AGAIN_ROWS = 12  # and on the way back up, which shows that an element loads and no work was light (chosen)
CLEANED_PART = 0.2  # of the rise that stays: new elements differ by less (field: 2.8 to 4.1 mbar of 8)
APART_ROWS = 48  # two falls within two days of work are one,
SOON_ROWS = 12  # unless the level after the second, at least a shift later, is clearly lower
BACK_ROWS, BACK_SHARE = 120, 0.75  # a light week is over by then; of the level before,
BACK_WAY = 0.6  # and of the way back to it
SHIFT_ROWS, ABRUPT_FALL = 8, 0.13  # an element that loads fast is back within AFTER_ROWS
JUMP_ROWS, JUMP_SHARE = 4, 0.45  # of the fall (chosen)
UNSEEN_RISE = 0.3  # of the fall: hours left out in which the level rose that far were loading


@dataclass(frozen=True)
class Change:
    """A fall that looks like a new or a cleaned element."""

    row: int  # first row of the new level
    before: float  # median of the rows before, in the unit of the series
    after: float
    sure: str  # "high" (sustained), "medium" (not long enough seen) or "low" (crept back since)
    likely: str  # "change", or "cleaned" where the level came back only part of the way


class _Place(NamedTuple):
    """Where a change may be; at its row, or (a run of rows that show it) from first to last."""

    row: int
    first: int
    last: int
    at_once: bool  # the fall shows from one shift to the next


class _Fall(NamedTuple):
    row: int
    since: int  # row of the fall before
    whole: bool  # the level just before was the element's own


def find_changes(level: FloatArray, *, unseen: IntArray | None = None, by_work: bool = False) -> list[Change]:
    """
    Sustained falls of a series of consecutive operating hours.

    level : restriction at the reference flow, shape (n,), > 0, any unit.
    unseen : operating hours left out before each row, shape (n,); None = none.
    by_work : the level moves with the work too (no flow proxy), so that depth alone proves nothing.
    Returns changes in order of row; none where n is too small to tell.
    """
    n = len(level)
    if n < LEAST_BEFORE_ROWS + AFTER_ROWS:
        return []
    missing = np.zeros(n, dtype=np.int64) if unseen is None else unseen
    following = _following(level, HIGH_PART)
    fall = 1.0 - following / _preceding(level, LOW_PART, BEFORE_ROWS)
    deep = 1.0 - following / _preceding(level, 0.5, RECENT_ROWS)
    wander = WANDER_TIMES * _wander(level)
    # The climbs and falls of lives of 90 hours look like wander too: with a flow proxy a deep fall is enough.
    least = max(LEAST_FALL, wander if by_work else min(wander, DEEP_FALL))
    falls: list[_Fall] = []

    def since() -> int:
        return falls[-1].row if falls else 0

    def take(row: int, whole: bool) -> None:
        change = _judged(level, missing, row, since(), n, whole=whole) if by_work else None
        if change is None or not _came_back(level, missing, change):
            falls.append(_Fall(row, since(), whole))

    runs = _runs((fall >= least) | (deep >= max(least, DEEP_FALL)))
    places = [_Place(_best_split(level, first, last), first, last, at_once=False) for first, last in runs]
    if not by_work:
        steps = _abrupt_rows(level, max(least, ABRUPT_FALL))
        places += [_Place(row, row, row, at_once=True) for row in steps]
    for row, first, last, at_once in sorted(places):
        apart = SOON_ROWS if at_once else APART_ROWS if falls else 1
        if row - since() >= apart:
            after_rows = SHIFT_ROWS if at_once else AFTER_ROWS
            climbed = _climbed(level, missing, row, since(), after_rows, by_work=by_work)
            recent = middle(level[max(since(), row - RECENT_ROWS) : row])
            whole = climbed or bool(not by_work and following[row] <= (1.0 - BEYOND_WET_FALL) * recent)
            if at_once:
                fell = whole and not _jumped_up(level, row, since())
            else:
                low = np.any(fall[first : last + 1] >= least)
                fell = whole or (bool(low) and _fell_since(level, row, since(), least))
            if fell:
                take(row, whole)
        again = _fall_again(level, following, falls[-1].row, last) if falls else None
        if again is not None:
            take(again, True)
    ends = [*(fall.row for fall in falls), n][1:]
    return _labelled(
        [
            _judged(level, missing, f.row, f.since, end, whole=f.whole)
            for f, end in zip(falls, ends, strict=True)
        ]
    )


def _abrupt_rows(level: FloatArray, least: float) -> list[int]:
    """Rows at which the level falls from one shift to the next, each the largest single step of its fall."""
    if len(level) < 2 * SHIFT_ROWS:
        return []
    middles = sliding_quantile(level, 0.5, SHIFT_ROWS)
    fall = np.zeros(len(level))
    before = np.maximum(middles[:-SHIFT_ROWS], 1e-300)
    fall[SHIFT_ROWS : len(level) - SHIFT_ROWS + 1] = 1.0 - middles[SHIFT_ROWS:] / before
    step = np.diff(level, prepend=level[:1])
    return [first + int(np.argmin(step[first : last + 1])) for first, last in _runs(fall >= least)]


def _fall_again(level: FloatArray, following: FloatArray, since: int, last: int) -> int | None:
    """
    Where the level of an element fell that was in for less than two days of work, up to `last`; None:
    nowhere.

    The level must fall below the one at which this element began: else a wet spell ended.
    """
    began = middle(level[since : since + SOON_ROWS])
    rows = np.arange(since + SOON_ROWS, min(last + 1, since + APART_ROWS, len(following)))
    low = following[rows] <= (1.0 - DEEP_FALL) * began
    runs = _runs(low) if len(rows) else []
    return _best_split(level, int(rows[runs[0][0]]), int(rows[runs[0][1]])) if runs else None


def _came_back(level: FloatArray, unseen: IntArray, change: Change) -> bool:
    """
    Most of the way back from one shift to the next: light work ended, and no element was changed.

    Where a shift or more was left out between, the element may have loaded in it.
    """
    back = max(BACK_SHARE * change.before, change.after + BACK_WAY * (change.before - change.after))
    for row in range(change.row + AFTER_ROWS, min(change.row + BACK_ROWS, len(level) - SOON_ROWS)):
        now, was = middle(level[row : row + SOON_ROWS]), middle(level[row - SOON_ROWS : row])
        at_once = was <= change.after + BACK_SHARE * (now - change.after) / 2
        if now >= back and at_once and np.sum(unseen[row - SOON_ROWS : row + SOON_ROWS]) < SHIFT_ROWS:
            return True
    return False


def part_of_the_way(change: Change, clean: float) -> bool:
    """More of the rise above the clean level stayed than new elements differ by."""
    return change.after > clean + CLEANED_PART * max(change.before - clean, 0.0)


def _labelled(found: Sequence[Change]) -> list[Change]:
    """A fall that ends well above the machine's other falls is a cleaning."""
    afters = [change.after for change in found]
    result = []
    for number, change in enumerate(found):
        others = sorted(afters[:number] + afters[number + 1 :])
        clean = others[len(others) // 2] if others else change.after
        result.append(replace(change, likely="cleaned" if part_of_the_way(change, clean) else "change"))
    return result


def _wander(level: FloatArray) -> float:
    """
    Usual step of ln(level) between medians of neighbouring blocks (scaled median deviation). [1]

    Measured by how steps differ from the next step: steady loading is no wander, however steep.
    """
    blocks = level[: len(level) // AFTER_ROWS * AFTER_ROWS].reshape(-1, AFTER_ROWS)
    bends = np.diff(np.log(np.maximum(np.median(blocks, axis=1), 1e-300)), n=2)
    if len(bends) < 8:  # too few to tell wander from one true change
        return 0.0
    return float(1.4826 * np.median(np.abs(bends - np.median(bends))) / np.sqrt(3.0))


def _fell_since(level: FloatArray, row: int, since: int, least: float) -> bool:
    """
    The fall shows against the hours of this life alone; where these are few, the hours before count too.

    A young life must fall below its first level: its first hours may have been wet for longer than dry.
    """
    if row - since < LEAST_BEFORE_ROWS:
        return True
    usual = quantile(level[max(since, row - BEFORE_ROWS) : row], LOW_PART)
    if since > 0 and row - since < BEFORE_ROWS:
        usual = min(usual, middle(level[since : since + SOON_ROWS]))
    return quantile(level[row : row + AFTER_ROWS], HIGH_PART) <= (1.0 - least) * usual


def _climbed(
    level: FloatArray, unseen: IntArray, row: int, since: int, after_rows: int, *, by_work: bool
) -> bool:
    """
    The level came up to what it was just before `row` through the levels between, hour by hour.

    Counted from when it was last at the level it falls to now: an earlier rise and fall is no part of this
    climb (unless it was light work that brought it down).
    Hours that were left out count where the level had moved on in them.
    """
    high = middle(level[max(since, row - min(RECENT_ROWS, after_rows)) : row])
    low = middle(level[row : row + after_rows])
    first = max(since, row - BEFORE_ROWS)
    if row - first > JUMP_ROWS and not by_work:
        down = sliding_quantile(level[first:row], 0.5, JUMP_ROWS) <= low
        first += int(np.max(np.flatnonzero(down), initial=0))
    return _hours_between(level[first:row], unseen[first:row], low, high) >= CLIMB_ROWS


def _jumped_up(level: FloatArray, row: int, since: int) -> bool:
    """
    Near the fall at `row` the level also rose at once, by a good part of it.

    Before: a wet spell began that now ends. After: the cause was not the element. But a rise from above the
    middle of the fall is an odd hour of an element that loads.
    """
    high = middle(level[max(since, row - SHIFT_ROWS) : row])
    low = middle(level[row : row + SHIFT_ROWS])
    for first, last, highest in (
        (max(since, row - BEFORE_ROWS), row, np.inf),
        (row, row + APART_ROWS, (low + high) / 2),
    ):
        middles = sliding_quantile(level[first:last], 0.5, JUMP_ROWS)
        rises = middles[JUMP_ROWS:] - middles[:-JUMP_ROWS]
        if np.any((middles[:-JUMP_ROWS] < highest) & (rises > JUMP_SHARE * (high - low))):
            return True
    return False


def _loads_again(level: FloatArray, unseen: IntArray, row: int, since: int) -> bool:
    """
    The level comes back hour by hour, as a cleaned element loads; light work ends from one to the next.

    Counted from a shift before to a shift after the lowest level: an element that lasts 100 hours is half
    loaded after AFTER_ROWS.
    """
    low = middle(level[row : row + SOON_ROWS])
    high = middle(level[max(since, row - SOON_ROWS) : row])
    later = slice(row, row + SUSTAINED_ROWS)
    return _hours_between(level[later], unseen[later], low, high) >= AGAIN_ROWS


def _hours_between(level: FloatArray, unseen: IntArray, low: float, high: float) -> int:
    """
    Hours spent between two levels; those left out count where the level had risen in them.

    unseen : operating hours left out before each row.
    """
    moved = np.diff(level, prepend=level[:1]) > UNSEEN_RISE * (high - low)
    return int(np.sum(_amid(level, low, high)) + np.sum(unseen[moved]))


def _amid(level: FloatArray, low: float, high: float) -> BoolArray:
    """Rows well between two levels."""
    return (level > low + 0.15 * (high - low)) & (level < high - 0.3 * (high - low))


def _preceding(level: FloatArray, q: float, rows: int) -> FloatArray:
    """Quantile of up to `rows` rows before each row; next to 0 (so no fall) where there are too few."""
    result = np.full(len(level), 1e-300)
    seen: list[float] = []
    for row, value in enumerate(level[:rows].tolist()):
        if row >= LEAST_BEFORE_ROWS:
            at = q * (row - 1)
            result[row] = between(seen[int(at)], seen[min(int(at) + 1, row - 1)], at % 1.0)
        insort(seen, value)
    if len(level) > rows:
        result[rows:] = sliding_quantile(level, q, rows)[:-1]
    return np.asarray(np.maximum(result, 1e-300))


def _following(level: FloatArray, q: float) -> FloatArray:
    """Quantile of AFTER_ROWS rows from each row on; inf where there are too few."""
    result = np.full(len(level), np.inf)
    windows = sliding_quantile(level, q, AFTER_ROWS)
    result[: len(windows)] = windows
    return result


def sliding_quantile(values: FloatArray, q: float, rows: int) -> FloatArray:
    """
    `np.quantile` of each window of `rows` values, shape (n - rows + 1,); equal to it, and 20 times as fast.

    One sorted window is updated from value to value, instead of sorting each window.
    """
    at = q * (rows - 1)
    first, last = rows // 2, len(values) - rows + 1 + rows // 2  # the middle of a window stands for it
    low = rank_filter(values, int(at), size=rows)[first:last]
    if at == int(at):
        return low
    return np.asarray(between(low, rank_filter(values, int(at) + 1, size=rows)[first:last], at % 1.0))


def _runs(flags: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    """First and last row of each stretch of true flags."""
    edges = np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))
    return list(
        zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True)
    )


def _best_split(level: FloatArray, first: int, last: int) -> int:
    """The row at which two medians fit the neighbourhood best (least absolute deviation)."""
    low, high = max(first - AFTER_ROWS, 0), min(last + AFTER_ROWS, len(level))
    near = np.log(np.maximum(level[low:high], 1e-300))
    candidates = np.arange(max(first - low, 1), min(last - low + 2, len(near)))
    split = (
        spreads(near[: candidates[-1]])[candidates]
        + spreads(near[: candidates[0] - 1 : -1])[len(near) - candidates]
    )
    return low + int(candidates[np.argmin(split)])


def spreads(values: FloatArray) -> FloatArray:
    """
    Sum of distances from their median of the first k values, for k = 0 to n, shape (n + 1,).

    Each further value adds its own distance from the medians before it. Any number between the two middle
    values is a median, and the nearer of the two stays one.
    """
    total = [0.0]
    seen: list[float] = []
    for k, value in enumerate(values.tolist()):
        below, above = (seen[(k - 1) // 2], seen[k // 2]) if k else (value, value)
        away = below - value if value < below else value - above if value > above else 0.0
        total.append(total[-1] + away)
        insort(seen, value)
    return np.array(total)


def _judged(level: FloatArray, unseen: IntArray, row: int, since: int, end: int, *, whole: bool) -> Change:
    """
    A fall, and how sure it is.

    end : the row of the next fall, or the rows there are.
    whole : the level just before was the element's own, so the levels after are compared with it.
    """
    before = middle(level[max(since, row - AFTER_ROWS) : row])
    # Once the next element is in, the levels are no longer those of this one.
    if whole and end < min(len(level), row + SUSTAINED_ROWS):
        return Change(row, before, middle(level[row : min(row + AFTER_ROWS, end)]), "high", "change")
    after = middle(level[row : row + AFTER_ROWS])
    later = level[row + AFTER_ROWS : row + SUSTAINED_ROWS]
    usual = quantile(level[max(since, row - BEFORE_ROWS) : row], LOW_PART)
    base = max(usual, before) if whole else usual
    if len(later) < SUSTAINED_ROWS - AFTER_ROWS:
        sure = "medium"
    else:
        stayed = middle(later) < base - 0.5 * (base - after)
        sure = "high" if stayed or (whole and _loads_again(level, unseen, row, since)) else "low"
    return Change(row, before, after, sure, "change")
