"""
The series of a housing cut into pieces between steps of the level.

A piece begins where the level steps from one half-shift or shift to the next, after hours that were not seen,
and at each entry of a person. Within a piece the level only loads and wanders.
Promises: pure; scale-free in restriction; a step stays at its row as more hours come.
Leaves to others: what a step means (`explain`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from cleanside.ingest.restriction.measure.held import in_ratios
from cleanside.ingest.restriction.measure.ranks import (
    MAD_TO_SPREAD,
    middle,
    quantile,
    row_middles,
    row_quantiles,
    upper_envelope,
)
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray
from cleanside.ingest.restriction.measure.tuning import HELD, Tuning

FLOW, SPEED, NOTHING = range(3)  # what stands for the flow; index in the triples of `Tuning`
MEDIAN_LOSS = 1.2533  # standard error of a median over that of a mean (arithmetic: sqrt(pi / 2))
BENDS = 3.0  # arithmetic: a bend of three blocks has as many times the variance of a step between two
SMOOTHED_ROWS = 3  # hours whose median stands for the middle one (chosen: one odd hour is gone, a step stays)
FLOOR_SHARE = 0.02  # of the usual level: what lies below reads as nothing (chosen: far below a clean one)


@dataclass(frozen=True, slots=True)
class LevelPiece:
    """Hours between two steps. Levels are logarithms; rows are those of the series given."""

    first: int
    end: int
    start: float  # level of its first hours
    finish: float  # level of its last hours
    hours: float  # operating hours in it
    missed_h: float  # operating hours before it that were not seen, or are not fit to judge by
    stopped: bool  # the engine stood before it
    edge: float = 0.0  # by how much the level fell at once, from the hours before it to its first hours [ln]
    stood_h: float = math.inf  # hours of the clock between the two that were not worked; inf: not known


@dataclass(frozen=True, slots=True)
class Cut:
    """A series in pieces, with the spread of a step between two shifts of one element. [ln]"""

    pieces: list[LevelPiece]
    spread: float
    edge_spread: float  # of the level over a few hours to the next few, of one element [ln]
    smooth: FloatArray  # ln(level), medians of three hours, shape (n,)
    pace: float  # usual rise an operating hour [ln]
    run_h: FloatArray  # operating hours up to each row, with those that were not seen, shape (n,)
    stops: float  # share of the rows before which the engine stood


def cut_pieces(
    level: FloatArray,
    *,
    hours: FloatArray,
    missed_h: FloatArray,
    stopped: BoolArray,
    stood_h: FloatArray | None = None,
    at_rows: Sequence[int],
    by: int,
    tuning: Tuning,
) -> Cut:
    """
    Cut a series at its steps.

    level : at the reference flow, shape (n,), n >= 1, any unit. hours : operating hours of each row.
    missed_h : operating hours before each row that are not in the series. stopped : the engine stood before.
    stood_h : hours of the clock before each row that were not worked; None = not known.
    at_rows : rows at which a piece begins in any case. by : FLOW, SPEED or NOTHING.
    """
    ln = np.log(np.maximum(level, in_ratios(floor_of(level), HELD.floor_ratio)))
    usual, share = usual_steps(ln, by, tuning), tuning.level_quantile[by]
    begins = (tuning.level_h, tuning.settle_h)  # what was fitted in the rain dries within days
    firsts = _step_rows(ln, usual, by, tuning)
    firsts |= {row for row in at_rows if 0 < row < len(ln) and not _is_near(row, firsts, 2 * tuning.level_h)}
    firsts |= set(np.flatnonzero(missed_h >= tuning.gap_h).tolist()) - {0}
    edges = [0, *sorted(firsts), len(ln)]
    run_h = np.concatenate(([0.0], np.cumsum(hours)))
    pieces = [
        LevelPiece(
            first,
            end,
            min(quantile(ln[first : min(end, first + rows)], share) for rows in begins),
            quantile(ln[max(first, end - tuning.level_h) : end], share),
            float(run_h[end] - run_h[first]),
            float(missed_h[first]),
            bool(stopped[first]),
            _edge(ln, first, share, tuning),
            math.inf if stood_h is None else float(stood_h[first]),
        )
        for first, end in itertools.pairwise(edges)
    ]
    smooth = _smooth(ln)
    return Cut(
        pieces=pieces,
        spread=usual[-1],
        edge_spread=usual[0],
        smooth=smooth,
        pace=in_ratios(_usual_pace(smooth, tuning), HELD.pace_ratio),
        run_h=np.cumsum(hours + missed_h),
        stops=in_ratios(float(np.mean(stopped)), HELD.stops_ratio),
    )


def _edge(ln: FloatArray, first: int, share: float, tuning: Tuning) -> float:
    """By how much the level fell at a row, over the shortest window either side. [ln]"""
    rows = tuning.windows_h[0]
    if first == 0:
        return 0.0
    return quantile(ln[max(0, first - rows) : first], share) - quantile(ln[first : first + rows], share)


def floor_of(level: FloatArray) -> float:
    """What lies below reads as nothing. > 0, in the unit of the level, also where most hours read nothing."""
    usual = middle(level)
    if not usual > 0:
        above = level[level > 0]
        usual = middle(above) if len(above) else 1.0
    return FLOOR_SHARE * usual


def level_of(level: FloatArray, steps: Sequence[int], by: int, tuning: Tuning) -> FloatArray:
    """
    The level of each hour, shape as given: where the load is not known the upper envelope between steps.

    steps : rows at which another level began. A working machine comes to full load at some time in most
    shifts.
    """
    if by == FLOW:
        return level
    share, rows = tuning.level_quantile[by], tuning.envelope_h
    return upper_envelope(level, share, rows, sorted(steps))


def usual_steps(ln: FloatArray, by: int, tuning: Tuning) -> list[float]:
    """
    Spread of the step between neighbouring medians, for each of the windows. [ln]

    Where few blocks were seen, the usual step of such machines counts.
    """
    found = []
    for rows in tuning.windows_h:
        whole = ln[: len(ln) // rows * rows].reshape(-1, rows)
        blocks = row_quantiles(whole, tuning.level_quantile[by]) if len(whole) else ln[:0]
        steps = np.diff(blocks, n=2) / np.sqrt(BENDS)  # bends: steady loading is no step, however steep
        own = MAD_TO_SPREAD * middle(np.abs(steps)) if len(steps) else 0.0
        few = tuning.usual_step_blocks
        pooled = (len(steps) * own**2 + few * tuning.usual_step[by] ** 2) / (len(steps) + few)
        found.append(in_ratios(float(np.sqrt(pooled)), HELD.step_ratio))
    return found


def _step_rows(ln: FloatArray, usual: Sequence[float], by: int, tuning: Tuning) -> set[int]:
    """First rows of a new level."""
    found: set[int] = set()
    for rows, spread in zip(tuning.windows_h, usual, strict=True):
        if len(ln) < 2 * rows:
            continue
        levels = row_quantiles(sliding_window_view(ln, rows), tuning.level_quantile[by])
        step = levels[rows:] - levels[:-rows]  # of row `rows`, rows + 1, ...
        least, known = max(tuning.least_step, tuning.step_times * spread), set(found)
        for first, last in sorted([*runs(step > least), *runs(step < -least)]):
            if not any(first < row < last + 2 * rows for row in known):
                found |= _sharpest(ln, first + rows, last + rows, step[first : last + 1], tuning)
    if by == FLOW and not any(row >= len(ln) - tuning.windows_h[0] for row in found):
        found |= _newest_step(ln, tuning)
    return found


def _sharpest(ln: FloatArray, first: int, last: int, steps: FloatArray, tuning: Tuning) -> set[int]:
    """
    The row of the largest single step of a run of rows that show one.

    Empty where no hour has a good part of the step: the element loads, or the media dry.
    """
    step = float(steps[len(steps) // 2])
    single = np.diff(ln[first - 1 : last + 1]) * np.sign(step)
    at = int(np.argmax(single))
    return {first + at} if single[at] >= tuning.at_once * abs(step) else set()


def _is_near(row: int, others: set[int], rows: int) -> bool:
    return any(abs(row - other) <= rows for other in others)


def _newest_step(ln: FloatArray, tuning: Tuning) -> set[int]:
    """A deep step that only the newest hours show."""
    tail, before = tuning.tail_h, tuning.windows_h[0]
    if len(ln) < tail + before:
        return set()
    step = ln[-tail:] - middle(ln[-tail - before : -tail])
    deep = np.all(np.abs(step) > tuning.tail_step) and len({*np.sign(step).tolist()}) == 1
    return {len(ln) - tail} if deep else set()


def _usual_pace(smooth: FloatArray, tuning: Tuning) -> float:
    rows = tuning.pace_h
    return max(middle(smooth[rows:] - smooth[:-rows]), 0.0) / rows if len(smooth) > rows else 0.0


def _smooth(ln: FloatArray) -> FloatArray:
    if len(ln) < SMOOTHED_ROWS:
        return ln
    return np.concatenate((ln[:1], row_middles(sliding_window_view(ln, SMOOTHED_ROWS)), ln[-1:]))


def runs(flags: BoolArray) -> list[tuple[int, int]]:
    """First and last row of each stretch of true flags."""
    edges = np.diff(np.concatenate(([False], flags, [False])).astype(np.int8))
    firsts: IntArray = np.flatnonzero(edges == 1)
    return list(zip(firsts.tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))
