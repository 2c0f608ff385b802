"""
Hours left by a family of convex curves: a prior on lengths and curves, updated with what this life shows.

Strategy: a level stands for a share of the life on each curve of the family; the share and the hours seen
give a length, and how likely each length is beside what is usual gives the hours left, on a grid.
Promises: finite, scale-free, and straight growth is inside the family; wide where nothing is known.
Leaves to others: the prior on lengths (`usual`), and learning from levels and slopes (`pace`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from cleanside.ingest.restriction.elements.lives import USUAL_CLEAN
from cleanside.ingest.restriction.forecast.paths import (
    LEVEL_WINDOW,
    LONG_WINDOW,
    MOST_CLEAN,
    NUDGE,
    Path,
    Rows,
)
from cleanside.ingest.restriction.measure.summary import FloatArray

# Two families of curves from 0 to 1 over a share u of the life. (e^(k u) - 1)/(e^k - 1): k near 0 is
# straight, 7 stays below 5 % of the span for half the life. And u^q, which stays longer at its clean level.
# Chosen: from nearly straight to such a late rise, neighbours nearer than lives are to their curve.
CURVATURES = np.array([0.2, 0.7, 1.3, 2.0, 2.7, 3.4, 4.2, 5.0, 6.0, 7.0])
POWERS = np.array([1.4, 1.8, 2.2, 2.6, 3.1, 3.8])  # chosen, likewise
SHAPE_SPREAD = 0.35  # of ln(hours left): no life follows its curve exactly (chosen wide)
SLOPE_SPREAD = 0.5  # of ln(slope): how far the slope may say which curve it is (chosen)
#: of the span from clean to terminal; a level below it may be noise (chosen: two steps of a 0.05 kPa sensor)
LEVEL_ERROR = 0.02
CLEAN_WINDOW = 0.05  # share of the age so far from which the clean level is read (chosen: as LEVEL_WINDOW)
#: degrees of freedom of Student's distribution of lengths (chosen: a life may be unlike those seen so far)
TAIL = 4.0
USUAL_SPREAD = 0.5  # of ln(life): usual lives are 250 to 1 000 h (common practice)
QUANTILES = (0.1, 0.5, 0.9)  # the ends of the 80 % interval, and its middle (arithmetic)
LIVED = np.linspace(0.0, 1.0, 26)  # shares of the life at which the mean curve is kept (chosen: each 4 %)
Z90 = 1.2815515655446004  # 90 % point of the standard normal distribution (arithmetic)

#: ln(hours left / hours seen) (chosen: from a thousandth to 100 000 of the hours seen, 14 % apart)
GRID = np.linspace(np.log(1e-3), np.log(1e5), 140)
GROWN_ON_GRID = np.log1p(np.exp(GRID))  # ln(life / hours seen), from a new element on
LIVED_ON_GRID = 1.0 / (1.0 + np.exp(GRID))  # of the life that the hours seen are (arithmetic)
BISECTIONS = 24  # chosen: to 1e-7 of the bracket, less than a second of any life
#: parts of all mixtures: up to there plain numbers take a third of the time of arrays, whose every call costs
#: (chosen by timing)
FEW_PARTS = 12
ROOT_HALF = math.sqrt(0.5)  # arithmetic
LEAST_APART = 1e-9  # of points that coincide, in their unit (chosen: a mixture needs some width)
TINY = float(np.finfo(np.float64).tiny)
NEARLY_ENDED = 0.999  # of the way to terminal (chosen: on it a curve has something left)
LEAST_SLOPE = 0.05  # of what a curve has there (chosen: a flat stretch, or one that falls, has a logarithm)
#: times LEVEL_ERROR: over so much of the way the slope comes to count (chosen: no sudden step)
TRUSTED_OVER = 3
MOST_MISFIT = 9.0  # the square of three spreads (chosen: an odd slope rules out no curve)
MOST_STEEP = 20.0  # lives for the whole way, where the mean curve is flat (chosen: an error stays finite)
LEAST_GROWN = 1e-3  # of a life since it was first seen (chosen: a ratio to it stays finite)
MOST_AWAY = 1_400.0  # square of spreads (arithmetic: exp of minus half of it is still above nothing)
BRACKET = 4.0  # spreads from a part's middle: no point that is sought lies beyond (chosen: 3 in 100 000 do)
#: rows at a time (chosen by timing: what is worked out on the grid then stays in the processor's cache)
BLOCK = 64
LEAST_SEEN = 1e-4  # of a usual life (chosen: an element in its first minutes)


@dataclass(frozen=True)
class MeanCurve:
    """The curve that whole lives followed, shape (LIVED,) each."""

    progress: FloatArray  # mean, from clean to terminal, at each share of the life; rising
    error: FloatArray  # of one life's progress there, standard deviation
    spread: float  # of used x (1 - used), standard deviation

    @cached_property
    def steepness(self) -> FloatArray:
        """d share / d progress at each of LIVED."""
        return np.asarray(np.gradient(LIVED) / np.gradient(self.progress))

    @cached_property
    def on_grid(self) -> tuple[FloatArray, FloatArray]:
        """Progress and error where so much was lived that GRID is what is left, shape (grid,) each."""
        progress, error = (np.interp(LIVED_ON_GRID, LIVED, values) for values in (self.progress, self.error))
        return progress, error


@dataclass(frozen=True)
class Usual:
    """The prior of a kind: how long its elements last, and along which curve."""

    life_h: float  # middle of their lives [h]
    spread: float  # of ln(life) of the next one
    curves: FloatArray  # how likely it follows each of the family and, last, the mean curve; sums to 1
    shape_spread: float  # how closely
    mean_curve: MeanCurve | None = None  # None: no whole life was seen
    has_tails: bool = False  # lengths were learned and follow Student's distribution; False: the normal one


class LikelyKind(NamedTuple):
    """A kind that an element may be of."""

    share: float  # how likely, before anything is seen of it
    usual: Usual


#: before any life was seen: a straight line is no rare case (chosen on simulated lives)
EVEN_CURVES = np.array([3.0, 2.0, *[1.0] * (len(CURVATURES) - 2), *[0.5] * len(POWERS)])
EVEN_CURVES /= EVEN_CURVES.sum()


def usual_life(life_h: float) -> Usual:
    """The prior where nothing was learned: lives of about `life_h`, of any shape."""
    return Usual(life_h, USUAL_SPREAD, EVEN_CURVES, SHAPE_SPREAD)


@dataclass(frozen=True)
class Way:
    """Age and position of rows of a life on each curve, shape (n,) or (n, curves)."""

    seen_h: FloatArray  # hours since the first row (n, 1) [h]
    used: FloatArray  # share of the life used, on each curve
    first: FloatArray  # the same at the first row; 0 = it was new
    error: FloatArray  # of `used`, standard deviation
    first_error: FloatArray
    fits: FloatArray  # how well the slope fits each curve
    progress: FloatArray  # from clean to terminal (n, 1)
    noise: FloatArray  # its standard error, by the scatter of the readings (n, 1)


class SeenRows(NamedTuple):
    """What rows of lives show, all that their prior goes by. Shape (n,) each; shares of terminal."""

    age_h: FloatArray
    seen_h: FloatArray  # hours since the first row [h]
    level: FloatArray
    slope: FloatArray  # over the last LONG_WINDOW of the age [1/h]
    clean: FloatArray  # level of the clean element, as it is known there
    noise: FloatArray  # standard error of the level
    first: FloatArray  # share at the first row of the life


def seen_rows(path: Path, share: FloatArray, rows: Rows, *, from_new: bool) -> SeenRows:
    """Of one life. Arguments as of `prior_hours_left`."""
    age_h, level = path.hours[rows], path.level[rows]
    return SeenRows(
        age_h,
        np.maximum(age_h - path.unseen_h, TINY),
        level,
        path.slope_long[rows],
        clean_of(path, share, rows, from_new=from_new),
        standard_error(path, rows),
        np.full(len(level), share[0]),
    )


def prior_hours_left(
    path: Path,
    share: FloatArray,
    rows: Rows = slice(None),
    *,
    from_new: bool = True,
    usual: Usual | Sequence[LikelyKind] | None = None,
) -> FloatArray:
    """
    10, 50 and 90 % points of the hours left, by age, level and slope and what is usual.

    path : of the life, n rows. share : restriction over terminal, shape (n,).
    rows : at which rows.
    from_new : False = in use before the first row: its first level is then no clean one.
    usual : the prior of such elements, or of each kind that it may be of; None = nothing is known, any share
        of the life is then as likely.
    Returns shape (rows, 3), >= 0. [h]
    """
    return prior_of(seen_rows(path, share, rows, from_new=from_new), from_new=from_new, usual=usual)


def prior_of(seen: SeenRows, *, from_new: bool, usual: Usual | Sequence[LikelyKind] | None) -> FloatArray:
    """As `prior_hours_left`, at rows of any lives, all seen from new or all not. Shape (rows, 3). [h]"""
    if len(seen.level) > BLOCK:
        parts = [SeenRows(*(of[i : i + BLOCK] for of in seen)) for i in range(0, len(seen.level), BLOCK)]
        return np.concatenate([prior_of(part, from_new=from_new, usual=usual) for part in parts])
    if usual is None:
        way = _way_at(seen, from_new=from_new, shape_spread=SHAPE_SPREAD)
        return _grid_points(_on_grid(way, None, from_new=from_new).sum(axis=1)) * way.seen_h
    kinds = [LikelyKind(1.0, usual)] if isinstance(usual, Usual) else usual
    least_h, total = LEAST_SEEN * max(kind.usual.life_h for kind in kinds), 0.0
    for kind in kinds:
        known = kind.usual
        way = _way_at(seen, from_new=from_new, shape_spread=known.shape_spread, mean_curve=known.mean_curve)
        way = _not_before(way, least_h)
        total = total + kind.share / known.spread * _on_grid(way, known, from_new=from_new).sum(axis=1)
    return _grid_points(np.asarray(total)) * way.seen_h


def ln_life_of(way: Way, usual: Usual | None, *, from_new: bool) -> tuple[float, float, float]:
    """
    What the first row of a path and the prior say: mean and variance of ln(life), geometric mean of the hours
    left. [h]
    """
    if usual is not None:
        way = _not_before(way, LEAST_SEEN * usual.life_h)
    odds = _on_grid(way, usual, from_new=from_new)[0]
    odds = odds / odds.sum()
    ln_seen = float(np.log(way.seen_h[0, 0]))
    grown = GROWN_ON_GRID[None, :] if from_new else GRID - np.log1p(-way.used[0])[:, None]
    mean = ln_seen + float((odds * grown).sum())
    variance = float((odds * (ln_seen + grown - mean) ** 2).sum())
    return mean, variance, float(np.exp(ln_seen + (odds * GRID).sum()))


def length_odds(way: Way, usual: Usual, *, from_new: bool) -> tuple[FloatArray, FloatArray]:
    """
    How likely a life has each length by the first row of its path alone: ln(life), rising, and its odds.

    usual : the curves that lives follow; its lengths say nothing here. Returns shapes (grid,). ln [h]
    """
    odds, ln_life, _ = _by_itself(way, usual, from_new=from_new)
    if from_new:
        return np.asarray(ln_life[0, 0]), np.asarray(odds[0].sum(axis=0))
    edges = np.linspace(float(ln_life.min()), float(ln_life.max()), len(GRID) + 1)
    found, _ = np.histogram(np.broadcast_to(ln_life[0], odds[0].shape), edges, weights=odds[0])
    return 0.5 * (edges[1:] + edges[:-1]), found


def clean_of(path: Path, share: FloatArray, rows: Rows = slice(None), *, from_new: bool) -> FloatArray:
    """The clean level as it is known at each of some rows, share of terminal, shape (rows,)."""
    return np.clip(_clean_so_far(path, share, rows), 0.0, MOST_CLEAN if from_new else USUAL_CLEAN)


def way_of(
    path: Path,
    share: FloatArray,
    rows: Rows,
    *,
    from_new: bool,
    shape_spread: float,
    mean_curve: MeanCurve | None = None,
) -> Way:
    """Where `rows` of a path are, on each curve of the family and, last, on the mean curve."""
    seen = seen_rows(path, share, rows, from_new=from_new)
    return _way_at(seen, from_new=from_new, shape_spread=shape_spread, mean_curve=mean_curve)


def _way_at(
    rows: SeenRows, *, from_new: bool, shape_spread: float, mean_curve: MeanCurve | None = None
) -> Way:
    clean = rows.clean
    progress = (rows.level - clean) / (1.0 - clean)
    noise = rows.noise / (1.0 - clean)
    used, error = _used(np.clip(progress, 0.0, NEARLY_ENDED), noise, shape_spread, mean_curve)
    first = first_error = np.zeros_like(used)
    if not from_new:
        at_first = np.clip((rows.first - clean) / (1.0 - clean), 0.0, NEARLY_ENDED)
        first, first_error = _used(at_first, noise, shape_spread, mean_curve)
        first = np.minimum(first, used)
    # The line through the last 40 % of the age is close to the chord of the curve over it.
    seen = np.clip(progress, LEVEL_ERROR, NEARLY_ENDED)[:, None]
    grown = np.log1p(seen * np.expm1(CURVATURES))
    before = [
        np.expm1((1.0 - LONG_WINDOW) * grown) / np.expm1(CURVATURES),
        seen * (1.0 - LONG_WINDOW) ** POWERS,
    ]
    if mean_curve is not None:
        there = np.interp(seen, mean_curve.progress, LIVED)
        before.append(np.interp((1.0 - LONG_WINDOW) * there, LIVED, mean_curve.progress))
    earlier = np.minimum(np.concatenate(before, axis=1), (1.0 - 1e-6) * seen)
    slope = (seen - earlier) / np.maximum(LONG_WINDOW * rows.age_h[:, None], TINY)
    shown = np.maximum(rows.slope[:, None] / (1.0 - clean[:, None]), LEAST_SLOPE * slope)
    misfit = np.log(shown / slope) / SLOPE_SPREAD
    # As long as the level is close to the clean one, its slope says nothing.
    trust = np.clip((progress[:, None] - LEVEL_ERROR) / (TRUSTED_OVER * LEVEL_ERROR), 0.0, 1.0)
    fits = np.exp(-0.5 * trust * np.minimum(misfit**2, MOST_MISFIT))
    return Way(rows.seen_h[:, None], used, first, error, first_error, fits, progress[:, None], noise[:, None])


def _used(
    progress: FloatArray, noise: FloatArray, shape_spread: float, mean_curve: MeanCurve | None
) -> tuple[FloatArray, FloatArray]:
    """Share of the life used at a share of the way from clean to terminal, on each curve, and its error."""
    rise = np.expm1(CURVATURES)
    at = progress[:, None]
    exponential = np.log1p(at * rise) / CURVATURES
    power = at ** (1.0 / POWERS)
    clear = np.maximum(at, LEVEL_ERROR)
    used = np.concatenate((exponential, power), axis=1)
    steep = np.concatenate(  # d used / d progress
        (rise / (CURVATURES * (1.0 + at * rise)), clear ** (1.0 / POWERS - 1.0) / POWERS), axis=1
    )
    level_error = np.hypot(LEVEL_ERROR, noise)[:, None]
    error = np.hypot(shape_spread * used * (1.0 - used), level_error * steep)
    if mean_curve is not None:
        own = np.interp(progress, mean_curve.progress, LIVED)
        apart = mean_curve.spread * np.maximum(own * (1.0 - own), LEVEL_ERROR)
        own_steep = np.interp(own, LIVED, mean_curve.steepness)
        used = np.column_stack((used, own))
        own_steep = np.minimum(own_steep, MOST_STEEP)
        error = np.column_stack((error, np.hypot(apart, level_error[:, 0] * own_steep)))
    return used, error


def _not_before(way: Way, least_h: float) -> Way:
    return replace(way, seen_h=np.maximum(way.seen_h, least_h))


def _on_grid(way: Way, usual: Usual | None, *, from_new: bool) -> FloatArray:
    """How likely each curve and ln(hours left / hours seen) is, shape (n, curves, grid); not normed."""
    odds, ln_life, share = _by_itself(way, usual, from_new=from_new)
    if usual is None:
        return np.asarray(odds * share)  # any share of the life is as likely
    square = ((ln_life - np.log(usual.life_h)) / usual.spread) ** 2
    if not usual.has_tails:
        return np.asarray(odds * np.exp(-0.5 * square))
    return np.asarray(odds * (1.0 + square / TAIL) ** (-0.5 * (TAIL + 1.0)))


def _by_itself(way: Way, usual: Usual | None, *, from_new: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """
    How likely each curve and ln(hours left / hours seen) is whatever lengths are usual, the ln(life) there
    and the share of it seen; shapes (n, curves, grid), or such that they fit to it.
    """
    used, error = way.used[:, :, None], way.error[:, :, None]
    weight = (way.fits * (EVEN_CURVES if usual is None else usual.curves))[:, :, None]
    ln_seen = np.log(way.seen_h)[:, :, None]
    if from_new:
        share = LIVED_ON_GRID
        away = (used - share) / error
        if usual is not None and usual.mean_curve is not None:
            away[:, -1] = _off_mean_curve(way, usual.mean_curve)
        ln_life, measure = ln_seen + GROWN_ON_GRID, 1.0 - share  # d ln(life) / d ln(left)
    else:
        rest, grown = 1.0 - used, np.maximum(used - way.first[:, :, None], LEAST_GROWN)
        both = np.hypot(error, way.first_error[:, :, None])
        away = (GRID - np.log(rest / grown)) / (error / rest + both / grown)
        ln_life = ln_seen + GRID - np.log(rest)
        share, measure = np.minimum(rest * np.exp(-GRID), 1.0), np.ones(1)
    return weight * np.exp(-0.5 * np.minimum(away**2, MOST_AWAY)) * measure, ln_life, share


def standard_error(path: Path, rows: Rows) -> FloatArray:
    """Of the way from clean to present level, by the scatter of the readings so far, (rows,). [share]"""
    age, seen = path.hours[rows], np.arange(1.0, len(path.hours) + 1.0)[rows]
    late = seen - np.searchsorted(path.hours, age * (1.0 - LEVEL_WINDOW) * (1.0 + NUDGE))
    early = np.searchsorted(path.hours, age * CLEAN_WINDOW * (1.0 + NUDGE), side="right")
    return np.asarray(
        path.scatter[rows] * np.sqrt(1.0 / np.maximum(late, 1.0) + 1.0 / np.maximum(early, 1.0))
    )


def _off_mean_curve(way: Way, curve: MeanCurve) -> FloatArray:
    """
    How far the progress is from the mean curve at each point of GRID, in standard deviations.

    By the progress and not by the share: an element at its clean level may be anywhere in the flat part.
    """
    usual, error = curve.on_grid
    return np.asarray((way.progress - usual) / np.hypot(error, way.noise))


def _grid_points(odds: FloatArray) -> FloatArray:
    """Hours left over hours seen at QUANTILES, shape (n, 3). odds : at each point of GRID, (n, grid)."""
    each = odds + 1e-300
    total = np.cumsum(each, axis=1)
    total = (total - 0.5 * each) / total[:, -1:]  # a point of the grid is the middle of its cell
    wanted = np.array(QUANTILES)
    points = np.array([np.interp(wanted, row, GRID) for row in total]).reshape(-1, len(QUANTILES))
    return np.asarray(np.exp(points))


def mixture_quantiles(
    middle: FloatArray, below: FloatArray, above: FloatArray, weight: FloatArray
) -> FloatArray:
    """
    10, 50 and 90 % points of mixtures of two-piece normal distributions.

    middle, below, above, weight : shape (n, m): median, spread below and above it (standard deviations,
        > 0), weight >= 0 with a positive sum in each row.
    Returns shape (n, 3), by bisection to 1e-7 of the bracket.
    """
    if middle.size <= FEW_PARTS:
        rows = zip(*(values.tolist() for values in (middle, below, above, weight)), strict=True)
        return np.array([_quantiles_of_one(*row) for row in rows]).reshape(-1, len(QUANTILES))
    share = (weight / weight.sum(axis=1, keepdims=True))[:, None, :]
    middle, below, above = middle[:, None, :], below[:, None, :], above[:, None, :]
    wanted = np.array(QUANTILES)
    low = np.repeat((middle - BRACKET * below).min(axis=2), len(QUANTILES), axis=1)
    high = np.repeat((middle + BRACKET * above).max(axis=2), len(QUANTILES), axis=1)
    for _ in range(BISECTIONS):
        at = 0.5 * (low + high)
        away = at[:, :, None] - middle
        each = share * ndtr(away / np.where(away < 0, below, above))
        reached = np.add.reduce(each, axis=2) >= wanted
        np.copyto(high, at, where=reached)
        np.copyto(low, at, where=~reached)
    return np.asarray(0.5 * (low + high))


def _quantiles_of_one(
    middle: Sequence[float], below: Sequence[float], above: Sequence[float], weight: Sequence[float]
) -> list[float]:
    """`mixture_quantiles` of one mixture, in plain numbers."""
    total = sum(weight)
    parts = list(zip(middle, below, above, (one / total for one in weight), strict=True))
    lowest = min(m - BRACKET * b for m, b, _, _ in parts)
    highest = max(m + BRACKET * a for m, _, a, _ in parts)
    found = []
    for wanted in QUANTILES:
        low, high = lowest, highest
        for _ in range(BISECTIONS):
            at, reached = 0.5 * (low + high), 0.0
            for m, b, a, share in parts:
                away = at - m
                reached += share * math.erfc(ROOT_HALF * away / -(b if away < 0.0 else a))
            low, high = (low, at) if 0.5 * reached >= wanted else (at, high)
        found.append(0.5 * (low + high))
    return found


def mixture_of_points(points: FloatArray, weight: FloatArray) -> FloatArray:
    """
    As `mixture_quantiles`, of distributions given by their 10, 50 and 90 % points.

    points : shape (n, m, 3), rising along the last. weight : shape (n, m).
    """
    middle = points[:, :, 1]
    below = np.maximum(middle - points[:, :, 0], LEAST_APART) / Z90
    above = np.maximum(points[:, :, 2] - middle, LEAST_APART) / Z90
    return mixture_quantiles(middle, below, above, weight)


def _clean_so_far(path: Path, share: FloatArray, rows: Rows) -> FloatArray:
    """Mean share over the first CLEAN_WINDOW of the age at each of some rows (at least one row)."""
    until = path.hours[rows] * CLEAN_WINDOW * (1.0 + NUDGE)
    last = np.maximum(np.searchsorted(path.hours, until, side="right") - 1, 0)
    total = np.cumsum(share[: last.max(initial=0) + 1])
    return np.asarray(total[last] / (last + 1))
