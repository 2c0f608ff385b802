"""
How far forecasts of unseen lives were off, as 10 and 90 % points by level: calibration across lives.

Promises: residuals come from lives left out of the fit, each life counts once, groups may be more or less
regular. Readings of one life are not exchangeable, lives are; so ranks are taken over lives.
Source: split conformal prediction, rank ceil((n + 1)(1 - alpha)) of n calibration cases.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .pace import EARLY_SHARE, NODES, PaceModel, Teacher, fit_pace, hat_basis
from .paths import NUDGE
from .summary import FloatArray

FOLDS = 10
TAIL = 0.1  # on either side of the 80 % interval
LEAST_LIVES = 4  # complete lives; with fewer the chosen spread below stands in
CHOSEN_BELOW, CHOSEN_ABOVE, CHOSEN_REST = 0.35, 0.6, 0.01  # of the hours left, and of a typical life
POOLING_LIVES = 10.0  # how fast a group's own irregularity is believed: n/(n + 10)
LEAST_SPREAD = 1e-3  # of a typical life: time is not known better than that


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


def fit_spread(model: PaceModel, complete: Sequence[Teacher], others: Sequence[Teacher]) -> Spread:
    """
    Residuals of complete lives, each forecast by a model that did not see it.

    others : censored lives, which only help to fit.
    """
    if len(complete) < LEAST_LIVES:
        return _chosen_spread(model)
    errors = _left_out_errors(model.grid, complete, others)
    factors = _group_factors([teacher.group for teacher in complete], [e for _, e in errors])
    scaled = [
        (basis, error / factors[teacher.group])
        for teacher, (basis, error) in zip(complete, errors, strict=True)
    ]
    below, above = _node_quantiles(scaled)
    return Spread(below, above, factors)


def conformal_rank(n: int, alpha: float) -> int | None:
    """
    Rank of the score that covers a new exchangeable case with 1 - alpha; None if n is too small for one.

    Source: split conformal prediction, ceil((n + 1)(1 - alpha)).
    """
    rank = int(np.ceil(np.round((n + 1) * (1.0 - alpha), 9)))
    return rank if rank <= n else None


def _chosen_spread(model: PaceModel) -> Spread:
    shapes = [curve.left_h / curve.typical_h for curve in model.curves.values()]
    left = np.mean(shapes, axis=0)
    return Spread(CHOSEN_BELOW * left + CHOSEN_REST, CHOSEN_ABOVE * left + CHOSEN_REST, {})


def _left_out_errors(
    grid: FloatArray, complete: Sequence[Teacher], others: Sequence[Teacher]
) -> list[tuple[FloatArray, FloatArray]]:
    """For each complete life, at its rows: basis on the grid, and truth minus forecast. [typical life]"""
    order = sorted(range(len(complete)), key=lambda i: (complete[i].group, complete[i].path.hours[-1]))
    folds = min(FOLDS, len(complete))
    fold = np.empty(len(complete), dtype=np.int64)
    fold[order] = np.arange(len(complete)) % folds  # like lives fall into different folds
    found: dict[int, tuple[FloatArray, FloatArray]] = {}
    for k in range(folds):
        kept = [teacher for i, teacher in enumerate(complete) if fold[i] != k]
        model = fit_pace([*kept, *others])
        for i in np.flatnonzero(fold == k).tolist():
            teacher = complete[i]
            group = teacher.group if teacher.group in model.curves else next(iter(model.curves))
            error = teacher.hours_left - model.hours_left(teacher.path, group)
            late = teacher.path.hours >= EARLY_SHARE * teacher.path.hours[-1] * (1.0 - NUDGE)
            found[i] = (
                hat_basis(grid, teacher.path.level)[late],
                error[late] / model.curves[group].typical_h,
            )
    return [found[i] for i in range(len(complete))]


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


def _node_quantiles(scaled: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Life-equal quantiles of the errors at each node, by conformal rank, smoothed over the nodes."""
    n = len(scaled)
    rank = conformal_rank(n, TAIL)
    tail = TAIL if rank is None else 1.0 - rank / n
    stretch = 1.0 if rank is not None else 1.0 + (9 - n) / 9.0
    below, above = np.zeros(NODES), np.zeros(NODES)
    for node in range(NODES):
        values, weights = [], []
        for basis, error in scaled:
            mass = basis[:, node].sum()
            use = basis[:, node] > 0
            if mass > 0:
                values.append(error[use])
                weights.append(basis[use, node] * min(1.0, mass) / mass)
        if not values:
            continue
        below[node], above[node] = _two_sided(np.concatenate(values), np.concatenate(weights), tail)
    return _smooth(below) * stretch + LEAST_SPREAD, _smooth(above) * stretch + LEAST_SPREAD


def _two_sided(errors: FloatArray, weights: FloatArray, tail: float) -> tuple[float, float]:
    order = np.argsort(errors, kind="stable")
    total = np.cumsum(weights[order])
    total /= total[-1]
    low, high = (errors[order][min(int(np.searchsorted(total, q)), len(total) - 1)] for q in (tail, 1 - tail))
    return max(0.0, -float(low)), max(0.0, float(high))


def _smooth(values: FloatArray) -> FloatArray:
    for _ in range(2):
        padded = np.concatenate((values[:1], values, values[-1:]))
        values = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
    return values
