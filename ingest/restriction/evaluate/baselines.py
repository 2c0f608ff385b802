"""
Plain ways to estimate the time left, to compare the forecast with: any method must beat them.

Each uses the past only. Bounded to `MOST_AGES` times the age, because a flat line never reaches terminal;
the bound is part of the baseline, and the report states it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.pace import hat_basis
from cleanside.ingest.restriction.forecast.paths import MOST_CLEAN, trace
from cleanside.ingest.restriction.measure.summary import FloatArray

MOST_AGES = 10.0  # bound of an extrapolation (chosen: a flat line must not decide a mean of errors)
LOOKUP_LEVELS = 40  # of the look-up, evenly in ln(share) (chosen: finer than lives differ)
LEAST_SHARE = 1e-3  # of terminal: a level of nothing has no logarithm (chosen: below any clean level)
LOWEST_QUANTILE = 0.05  # of a life's levels: there the grid begins (chosen: noise lies below)
THEIL_SEN_ROWS = 300  # of the past, evenly (chosen: all pairs of more are slow)


def straight_line(hours: FloatArray, share: FloatArray) -> FloatArray:
    """Least-squares line through the whole past at each row, to share 1. Shapes (n,); returns (n,). [h]"""
    end, slope = _running_line(hours, share)
    return _time_to(1.0 - end, slope, hours)


def exponential_fit(hours: FloatArray, share: FloatArray) -> FloatArray:
    """Least-squares line through ln(share) of the whole past. Shapes (n,); returns (n,). [h]"""
    end, slope = _running_line(hours, np.log(np.maximum(share, LEAST_SHARE)))
    return _time_to(-end, slope, hours)


def theil_sen(hours: FloatArray, share: FloatArray, rows: Sequence[int]) -> FloatArray:
    """Median of pairwise slopes (scipy.stats.theilslopes) at the given rows; returns (len(rows),). [h]"""
    result = np.empty(len(rows))
    for i, row in enumerate(rows):
        use = np.unique(np.linspace(0, row, min(row + 1, THEIL_SEN_ROWS)).round().astype(np.int64))
        if len(use) < 2 or hours[use[-1]] <= hours[use[0]]:
            result[i] = MOST_AGES * hours[row]
            continue
        with np.errstate(
            invalid="ignore"
        ):  # of its confidence limits, which are not used, where most rows tie
            fit = stats.theilslopes(share[use], hours[use])
        now = fit.intercept + fit.slope * hours[row]
        result[i] = _time_to(np.array([1.0 - now]), np.array([fit.slope]), hours[row : row + 1])[0]
    return result


@dataclass(frozen=True)
class MeanLife:
    """Mean complete life of the group minus age, not below 0."""

    by_group: Mapping[str, float]
    overall: float

    def hours_left(self, hours: FloatArray, group: str) -> FloatArray:
        """Shape (n,). [h]"""
        return np.maximum(self.by_group.get(group, self.overall) - hours, 0.0)


def fit_mean_life(lives: Sequence[Life]) -> MeanLife:
    """From at least one complete life."""
    ends = {
        group: float(np.mean([life.hours[-1] for life in mine])) for group, mine in _by_group(lives).items()
    }
    return MeanLife(ends, float(np.mean([life.hours[-1] for life in lives])))


@dataclass(frozen=True)
class LevelLookup:
    """Mean hours left at a smoothed level, by group; levels evenly in ln(share)."""

    grid: FloatArray
    by_group: Mapping[str, FloatArray]
    overall: FloatArray

    def hours_left(self, hours: FloatArray, share: FloatArray, group: str) -> FloatArray:
        """Shape (n,). [h]"""
        return np.asarray(
            hat_basis(self.grid, trace(hours, share).level) @ self.by_group.get(group, self.overall)
        )


def fit_level_lookup(lives: Sequence[Life]) -> LevelLookup:
    """From at least one complete life."""
    levels = [trace(life.hours, life.restriction_pa / life.terminal_pa).level for life in lives]
    lowest = [np.quantile(level, LOWEST_QUANTILE) for level in levels]
    start = float(np.clip(np.median(lowest), LEAST_SHARE, MOST_CLEAN))
    grid = np.linspace(np.log(start), 0.0, LOOKUP_LEVELS)
    tables = [_lookup_table(grid, life, level) for life, level in zip(lives, levels, strict=True)]
    by_group = {}
    for group in {life.kind for life in lives}:
        by_group[group] = _mean_table(
            [t for t, life in zip(tables, lives, strict=True) if life.kind == group]
        )
    return LevelLookup(grid, by_group, _mean_table(tables))


Baseline = Callable[
    [FloatArray, FloatArray, str], FloatArray
]  # hours, share, group -> hours left at each row


def fit_baselines(lives: Sequence[Life]) -> dict[str, Baseline]:
    """Name to function; without a complete life, the baselines that learn are left out."""
    baselines: dict[str, Baseline] = {
        "straight line": lambda hours, share, _: straight_line(hours, share),
        "exponential fit": lambda hours, share, _: exponential_fit(hours, share),
    }
    complete = [life for life in lives if life.complete]
    if complete:
        mean_life, lookup = fit_mean_life(complete), fit_level_lookup(complete)
        baselines["mean life minus age"] = lambda hours, _, group: mean_life.hours_left(hours, group)
        baselines["level look-up"] = lookup.hours_left
    return baselines


def _running_line(hours: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """End and slope of the least-squares line through rows 0..i, for every i."""
    n = np.arange(1, len(hours) + 1)
    span = float(hours[-1] - hours[0]) or 1.0
    x = (hours - hours[0]) / span
    mean_x, mean_y = np.cumsum(x) / n, np.cumsum(values) / n
    spread = np.cumsum(x * x) / n - mean_x**2
    usable = spread > 1e-15
    slope = np.where(
        usable, (np.cumsum(x * values) / n - mean_x * mean_y) / np.where(usable, spread, 1.0), 0.0
    )
    return mean_y + slope * (x - mean_x), slope / span


def _time_to(rest: FloatArray, slope: FloatArray, hours: FloatArray) -> FloatArray:
    """rest / slope, from 0 to MOST_AGES times the age; the bound where the slope does not lead there."""
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.where(slope > 0, rest / slope, np.inf)
    return np.clip(np.where(rest <= 0, 0.0, left), 0.0, MOST_AGES * hours)


def _by_group(lives: Sequence[Life]) -> dict[str, list[Life]]:
    groups: dict[str, list[Life]] = {}
    for life in lives:
        groups.setdefault(life.kind, []).append(life)
    return groups


def _lookup_table(grid: FloatArray, life: Life, level: FloatArray) -> FloatArray:
    basis = hat_basis(grid, level)
    mass = basis.sum(axis=0)
    table = basis.T @ (life.hours[-1] - life.hours) / np.maximum(mass, 1e-12)
    return np.where(mass > 0.5, table, np.nan)


def _mean_table(tables: Sequence[FloatArray]) -> FloatArray:
    stacked = np.stack(tables)
    present = ~np.isnan(stacked)
    count = present.sum(axis=0)
    mean = np.where(present, stacked, 0.0).sum(axis=0) / np.maximum(count, 1)
    index = np.arange(len(mean))
    return np.asarray(np.interp(index, index[count > 0], mean[count > 0]))
