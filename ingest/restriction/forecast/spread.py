"""
How far forecasts of unseen lives were off, as 10 and 90 % points by level: calibration across lives.

Promises: residuals come from lives left out of the fit, each life counts once, groups may be more or less
regular. Readings of one life are not exchangeable, lives are; so the number of lives counts.
Source: Student's prediction interval (t of n - 1, sqrt(1 + 1/n)), on either side of the middle by itself.
Leaves to others: how often the interval held on whole lives left out, which stretches it (`blend`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from cleanside.ingest.restriction.forecast.pace import (
    EARLY_SHARE,
    NODES,
    PaceModel,
    Teacher,
    fit_paces,
    hat_basis,
)
from cleanside.ingest.restriction.forecast.paths import NUDGE
from cleanside.ingest.restriction.forecast.twins import batches, folds_of, place_of
from cleanside.ingest.restriction.measure.summary import FloatArray

FOLDS = 10  # of lives left out (common practice: ten)
TAIL = 0.1  # on either side of the 80 % interval (arithmetic)
BESIDE = 0.25  # weight of each neighbour of a level (arithmetic: 1, 2, 1 of four)
LEAST_LIVES = 4  # complete lives; with fewer, the chosen spread below is used
#: of the hours left, and of a typical life (chosen: wide, and wider on the late side, as lengths are skewed)
CHOSEN_BELOW, CHOSEN_ABOVE, CHOSEN_REST = 0.35, 0.6, 0.01
POOLING_LIVES = 5.0  # weight of a group's own irregularity: n/(n + 5) (open bench, lives left out)
LEAST_SEEN_SHARE = 0.5  # of a life (chosen: with less, its imputed end is too uncertain to calibrate on)
LEAST_SPREAD = 1e-3  # of a typical life (chosen: half an hour of 500; time is not known better than that)


@dataclass(frozen=True)
class Spread:
    """Offsets from the middle at each level, shape (NODES,), times the group's factor. [typical life]"""

    below: FloatArray  # >= 0
    above: FloatArray  # >= 0
    factors: Mapping[str, float]

    def offsets_h(self, model: PaceModel, level: FloatArray, group: str) -> tuple[FloatArray, FloatArray]:
        """Hours below and above the middle forecast, shape (n,) each. [h]"""
        basis = hat_basis(model.grid, level)
        scale = model.curves[group].typical_h * self.factors.get(group, 1.0)
        return basis @ self.below * scale, basis @ self.above * scale


@dataclass(frozen=True)
class LeftOut:
    """A life as forecast by a model that did not see it, at its settled rows."""

    group: str
    level: FloatArray
    error: FloatArray  # truth minus middle forecast [typical life]
    weight: float = 1.0  # less where its end is imputed


def fit_spread(model: PaceModel, left_out: Sequence[LeftOut]) -> Spread:
    """From lives left out; a chosen, wide spread where these are too few. `blend` stretches it."""
    if len(left_out) < LEAST_LIVES:
        return _chosen_spread(model)
    return _plain_spread(model.grid, left_out)


def left_out_lives(
    complete: Sequence[Teacher], others: Sequence[Teacher], ridges: Sequence[float]
) -> list[list[LeftOut]]:
    """
    Forecast lives, each by a model fitted without it (and without its fold), for each ridge.

    complete : at least two.
    others : censored lives; those seen for half of their life are forecast too, the rest only help to fit.
    """
    cases = [*complete, *(teacher for teacher in others if teacher.weight >= LEAST_SEEN_SHARE)]
    rest = [teacher for teacher in others if teacher.weight < LEAST_SEEN_SHARE]
    order = sorted(range(len(cases)), key=lambda i: (cases[i].group, cases[i].path.hours[-1]))
    batch = batches([place_of(case.path) for case in cases], [case.group for case in cases])
    counts = len(np.unique(batch)) / len(cases)
    if counts * len(cases) < 2.0:
        batch = np.arange(len(cases))  # no life of another batch
    fold = np.empty(len(cases), dtype=np.int64)
    fold[order] = folds_of(batch[order], FOLDS)  # similar lives go into different folds, twins into one
    left_out: list[dict[int, LeftOut]] = [{} for _ in ridges]
    for k in range(int(fold.max()) + 1):
        kept = [teacher for i, teacher in enumerate(cases) if fold[i] != k]
        for mine, model in zip(left_out, fit_paces([*kept, *rest], ridges), strict=True):
            mine |= {i: _left_out(model, cases[i], counts) for i in np.flatnonzero(fold == k).tolist()}
    return [[mine[i] for i in range(len(cases))] for mine in left_out]


def mean_error(left_out: Sequence[LeftOut]) -> float:
    """Mean over lives of each life's root-mean-square error. [typical life]"""
    errors = [np.sqrt(np.mean(life.error**2)) for life in left_out]
    return float(np.average(errors, weights=[life.weight for life in left_out]))


def _plain_spread(grid: FloatArray, left_out: Sequence[LeftOut]) -> Spread:
    factors = _group_factors([life.group for life in left_out], [life.error for life in left_out])
    scaled = [
        (hat_basis(grid, life.level), life.error / factors[life.group], life.weight) for life in left_out
    ]
    below, above = _node_quantiles(scaled)
    return Spread(below, above, factors)


def _left_out(model: PaceModel, teacher: Teacher, counts: float) -> LeftOut:
    group = teacher.group if teacher.group in model.curves else next(iter(model.curves))
    settled = teacher.path.hours >= EARLY_SHARE * teacher.path.hours[-1] * (1.0 - NUDGE)
    error = teacher.hours_left - model.hours_left(teacher.path, group)
    return LeftOut(
        teacher.group,
        teacher.path.level[settled],
        error[settled] / model.curves[group].typical_h,
        teacher.weight * counts,
    )


def _chosen_spread(model: PaceModel) -> Spread:
    shapes = [curve.left_h / curve.typical_h for curve in model.curves.values()]
    left = np.mean(shapes, axis=0)
    return Spread(CHOSEN_BELOW * left + CHOSEN_REST, CHOSEN_ABOVE * left + CHOSEN_REST, {})


def _group_factors(groups: Sequence[str], errors: Sequence[FloatArray]) -> dict[str, float]:
    """Irregularity of each group against the geometric mean, pulled to 1 where its lives are few."""
    sizes = np.array([np.sqrt(np.mean(error**2)) for error in errors])
    logs = np.log(np.maximum(sizes, LEAST_SPREAD))
    factors = {}
    for group in sorted(set(groups)):
        mine = logs[[g == group for g in groups]]
        share = len(mine) / (len(mine) + POOLING_LIVES)
        factors[group] = float(np.exp(share * (mine.mean() - logs.mean())))
    return factors


def _node_quantiles(scaled: Sequence[tuple[FloatArray, FloatArray, float]]) -> tuple[FloatArray, FloatArray]:
    """Life-equal 10 and 90 % points of the errors at each node, smoothed over the nodes."""
    below, above = np.zeros(NODES), np.zeros(NODES)
    for node in range(NODES):
        values, weights, lives = [], [], 0.0
        for basis, error, counts in scaled:
            mass = basis[:, node].sum()
            use = basis[:, node] > 0
            if mass > 0:
                values.append(error[use])
                weights.append(counts * basis[use, node] * min(1.0, mass) / mass)
                lives += counts
        if values:
            below[node], above[node] = _two_sided(np.concatenate(values), np.concatenate(weights), lives)
    return _smooth(below) + LEAST_SPREAD, _smooth(above) + LEAST_SPREAD


def _two_sided(errors: FloatArray, weights: FloatArray, lives: float) -> tuple[float, float]:
    """
    How far below and above the middle the 10 and 90 % points are, >= 0, for a new life.

    A two-piece normal distribution of the errors with Student's quantile.
    """
    below, above = (
        float(np.sqrt(np.average(np.where(side, errors, 0.0) ** 2, weights=weights) * 2.0))
        for side in (errors < 0, errors > 0)
    )
    return student_point(lives) * below, student_point(lives) * above


def student_point(n: float) -> float:
    """90 % point for a new case of a normal distribution whose spread is known from n cases, n >= 1."""
    return float(stdtrit(max(n - 1, 1), 1.0 - TAIL)) * float(np.sqrt(1.0 + 1.0 / n))


def _smooth(values: FloatArray) -> FloatArray:
    for _ in range(2):
        padded = np.concatenate((values[:1], values, values[-1:]))
        values = BESIDE * padded[:-2] + 0.5 * padded[1:-1] + BESIDE * padded[2:]
    return values
