"""
Hours left learned from lives: where was each known life at this level, and how does pace correct that.

Strategy: for each group of like lives, the mean hours left at a level (a look-up on a grid of levels), plus
a ridge regression at each level on how this life's pace differs (age, time since half the level, slopes),
all in units of the group's typical life, so that groups share one regression. Lives are reweighted so that
the mean over lives of the root-mean-square error is least (one odd life does not rule).
Tried and dropped on the open bench, by leave-life-out: regression per group (20 lives are too few), the
regression without reweighting (2 % worse), a finer or coarser grid (no gain).

Promises: scale-free; complete lives count fully, censored ones as far as they were seen, their end imputed.
Leaves to others: intervals (`spread`), blending with the prior (`forecast`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .paths import NUDGE, Path
from .summary import FloatArray

NODES = 24  # levels on the grid, evenly in ln(share)
RIDGES = (0.5, 5.0, 50.0)  # lives' worth of pull to "pace does not matter"; leaving lives out weighs them
PLAIN_RIDGE = 5.0  # where lives are too few to weigh by trial, and for levels and kinds
POOLING_LIVES = 5.0  # a group's own curve counts n/(n + 5) against the common shape in its time scale
EARLY_SHARE = 0.03  # of the typical life: before that, filling and settling, not loading
REWEIGHTINGS = 3
LEAST_RELATIVE_ERROR = 0.3  # of the median error, bounds a life's weight
FEATURES = 6  # one, age, time since half way, short slope, long slope, straightness
MAX_ROWS = 300  # of one life in the fit; more adds nothing but time


@dataclass(frozen=True)
class Teacher:
    """A life to learn from: its path, its group, hours left at each row, and how much it counts."""

    path: Path
    group: str
    hours_left: FloatArray
    weight: float = 1.0


@dataclass(frozen=True)
class GroupCurve:
    """Typical life of a group, and mean hours left and age at each level of the grid, shape (NODES,). [h]"""

    typical_h: float
    left_h: FloatArray
    age_h: FloatArray
    lives: float


@dataclass(frozen=True)
class PaceModel:
    """What was learned. `grid` is ln(share), rising, the last is 0 (terminal)."""

    grid: FloatArray
    clean: float
    curves: Mapping[str, GroupCurve]
    coefficients: FloatArray  # shape (NODES, FEATURES), in units of the typical life

    def hours_left(self, path: Path, group: str) -> FloatArray:
        """Middle forecast at each row of a path, shape (n,). [h] `group` must be one of `curves`."""
        curve = self.curves[group]
        features = _features(self.grid, self.clean, curve, path)
        basis = hat_basis(self.grid, path.level)
        correction = np.einsum("nf,nf->n", features, basis @ self.coefficients)
        return np.asarray(np.maximum(basis @ curve.left_h + correction * curve.typical_h, 0.0))


def fit_pace(teachers: Sequence[Teacher], ridge: float = PLAIN_RIDGE) -> PaceModel:
    """Learn from at least one teacher. The same teachers in any order give the same model to rounding."""
    typical = typical_lives(teachers)
    grid = _level_grid(teachers, typical)
    clean = clean_share(teachers, typical)
    thin = [_thinned(teacher, typical[teacher.group]) for teacher in teachers]
    bases = [hat_basis(grid, teacher.path.level) for teacher in thin]
    weights = np.array([teacher.weight for teacher in thin])
    groups = np.array([teacher.group for teacher in thin])
    model = _fit_once(thin, bases, weights, grid, clean, typical, ridge)
    for _ in range(REWEIGHTINGS):
        errors = np.array([_relative_error(model, teacher) for teacher in thin])
        weights = np.array([teacher.weight for teacher in thin]) * _life_weights(errors, groups)
        model = _fit_once(thin, bases, weights, grid, clean, typical, ridge)
    return model


def hat_basis(grid: FloatArray, level: FloatArray) -> FloatArray:
    """Weights of linear interpolation at each level, shape (n, len(grid)); constant beyond the grid."""
    at = np.log(np.maximum(level, np.exp(grid[0])))
    x = np.clip((at - grid[0]) / (grid[1] - grid[0]), 0.0, len(grid) - 1 - 1e-9)
    left = x.astype(np.int64)
    basis = np.zeros((len(level), len(grid)))
    rows = np.arange(len(level))
    basis[rows, left] = 1.0 - (x - left)
    basis[rows, left + 1] = x - left
    return basis


def typical_lives(teachers: Sequence[Teacher]) -> dict[str, float]:
    """Median life of each group. [h]"""
    ends: dict[str, list[float]] = {}
    for teacher in teachers:
        ends.setdefault(teacher.group, []).append(float(teacher.path.hours[-1] + teacher.hours_left[-1]))
    return {group: float(np.median(values)) for group, values in ends.items()}


def _level_grid(teachers: Sequence[Teacher], typical: Mapping[str, float]) -> FloatArray:
    """From the level that nearly all lives start above (2 % point of settled rows) to terminal."""
    lowest = [
        np.quantile(teacher.path.level[_settled(teacher, typical[teacher.group])], 0.02)
        for teacher in teachers
    ]
    start = float(np.clip(np.median(lowest), 1e-3, 0.9))
    return np.linspace(np.log(start), 0.0, NODES)


def clean_share(teachers: Sequence[Teacher], typical: Mapping[str, float]) -> float:
    """Median over lives of the level just after settling."""
    early = [
        float(teacher.path.level[np.flatnonzero(_settled(teacher, typical[teacher.group]))[0]])
        for teacher in teachers
    ]
    return float(np.clip(np.median(early), 0.0, 0.9))


def _settled(teacher: Teacher, typical_h: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    settled = teacher.path.hours >= EARLY_SHARE * typical_h * (1.0 - NUDGE)
    settled[-1] = True
    return settled


def _thinned(teacher: Teacher, typical_h: float) -> Teacher:
    rows = np.flatnonzero(_settled(teacher, typical_h))
    if len(rows) > MAX_ROWS:
        rows = rows[np.unique(np.linspace(0, len(rows) - 1, MAX_ROWS).round().astype(np.int64))]
    path = teacher.path
    picked = Path(
        path.hours[rows],
        path.level[rows],
        path.peak[rows],
        path.slope_short[rows],
        path.slope_long[rows],
        path.line_long[rows],
    )
    return Teacher(picked, teacher.group, teacher.hours_left[rows], teacher.weight)


def _fit_once(
    teachers: Sequence[Teacher],
    bases: Sequence[FloatArray],
    weights: FloatArray,
    grid: FloatArray,
    clean: float,
    typical: Mapping[str, float],
    ridge: float,
) -> PaceModel:
    curves = _group_curves(teachers, bases, weights, grid, typical)
    moments = np.zeros((NODES, FEATURES, FEATURES))
    targets = np.zeros((NODES, FEATURES))
    for teacher, basis, weight in zip(teachers, bases, weights, strict=True):
        curve = curves[teacher.group]
        x = _features(grid, clean, curve, teacher.path)
        y = (teacher.hours_left - basis @ curve.left_h) / curve.typical_h
        shares = weight * _life_equal(basis)
        products = (x[:, :, None] * x[:, None, :]).reshape(len(x), -1)
        moments += (shares.T @ products).reshape(NODES, FEATURES, FEATURES)
        targets += shares.T @ (x * y[:, None])
    return PaceModel(grid, clean, curves, _ridge(moments, targets, ridge))


def _ridge(moments: FloatArray, targets: FloatArray, ridge: float) -> FloatArray:
    """Regression at each node, shape (NODES, FEATURES); pulled to 0 in units of each feature's own spread."""
    mass = np.maximum(moments[:, 0, 0], 1e-9)
    power = np.diagonal(moments, axis1=1, axis2=2) / mass[:, None]
    pull = ridge * np.maximum(power, 1e-9)
    pull[:, 0] = 1.0  # where few lives were, the look-up stands
    system = moments + pull[:, :, None] * np.eye(FEATURES)
    return np.asarray(np.linalg.solve(system, targets[:, :, None])[:, :, 0], dtype=np.float64)


def _life_equal(basis: FloatArray) -> FloatArray:
    """Row weights such that each life counts once at each node it passed, however many rows it has there."""
    mass = basis.sum(axis=0)
    return np.asarray(basis * (np.minimum(mass, 1.0) / np.maximum(mass, 1e-9)))


def _group_curves(
    teachers: Sequence[Teacher],
    bases: Sequence[FloatArray],
    weights: FloatArray,
    grid: FloatArray,
    typical: Mapping[str, float],
) -> dict[str, GroupCurve]:
    """Each group's curves, drawn towards the common shape as far as its lives are few."""
    own: dict[str, tuple[FloatArray, FloatArray, float]] = {}
    for group, typical_h in typical.items():
        mass, left, age, lives = np.zeros(NODES), np.zeros(NODES), np.zeros(NODES), 0.0
        for teacher, basis, weight in zip(teachers, bases, weights, strict=True):
            if teacher.group == group:
                shares = weight * _life_equal(basis)
                mass += shares.sum(axis=0)
                left += shares.T @ teacher.hours_left
                age += shares.T @ teacher.path.hours
                lives += teacher.weight
        known = mass > 0.25 * mass.max()
        values = [
            np.interp(grid, grid[known], total[known] / mass[known]) / typical_h for total in (left, age)
        ]
        own[group] = (values[0], values[1], lives)
    total = sum(lives for _, _, lives in own.values())
    common = [sum(entry[i] * entry[2] for entry in own.values()) / total for i in (0, 1)]
    curves = {}
    for group, (left, age, lives) in own.items():
        share = 1.0 if len(own) == 1 else lives / (lives + POOLING_LIVES)
        curves[group] = GroupCurve(
            typical[group],
            typical[group] * (common[0] + share * (left - common[0])),
            typical[group] * (common[1] + share * (age - common[1])),
            lives,
        )
    return curves


def _features(grid: FloatArray, clean: float, curve: GroupCurve, path: Path) -> FloatArray:
    """This life's pace against its group's at the same level, shape (n, FEATURES), all without unit."""
    basis = hat_basis(grid, path.level)
    left, age = basis @ curve.left_h / curve.typical_h, basis @ curve.age_h
    half = clean + 0.5 * (path.level - clean)
    crossed = np.minimum(np.searchsorted(path.peak, half), np.arange(len(half)))
    since_half = path.hours - path.hours[crossed]
    usual_since_half = age - hat_basis(grid, half) @ curve.age_h
    usual_slope = np.maximum(1.0 - path.level, 0.02) / (np.maximum(left, 1e-3) * curve.typical_h)
    floor = np.exp(grid[0]) * 0.01
    straight = np.log(np.maximum(path.line_long, floor) / np.maximum(path.level, floor))
    return np.stack(
        [
            np.ones(len(half)),
            (path.hours - age) / curve.typical_h,
            (since_half - usual_since_half) / curve.typical_h,
            (np.clip(path.slope_short / usual_slope, 0.0, 3.0) - 1.0) * left,
            (np.clip(path.slope_long / usual_slope, 0.0, 3.0) - 1.0) * left,
            np.clip(straight, -3.0, 3.0) * left,
        ],
        axis=1,
    )


def _relative_error(model: PaceModel, teacher: Teacher) -> float:
    error = model.hours_left(teacher.path, teacher.group) - teacher.hours_left
    return float(np.sqrt(np.mean(error**2)) / model.curves[teacher.group].typical_h)


def _life_weights(errors: FloatArray, groups: np.ndarray[tuple[int], np.dtype[np.str_]]) -> FloatArray:
    """
    1/error in each group, mean 1: minimising squares so weighted minimises the sum of the roots.
    """
    weights = np.ones(len(errors))
    for group in np.unique(groups):
        mine = groups == group
        middle = max(float(np.median(errors[mine])), 1e-12)
        inverse = 1.0 / np.maximum(errors[mine] / middle, LEAST_RELATIVE_ERROR)
        weights[mine] = inverse / inverse.mean()
    return weights
