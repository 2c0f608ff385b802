"""
Hours left, learned from lives: how long known lives lasted from this level, corrected by pace.

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

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.forecast.paths import MOST_CLEAN, NUDGE, Path, Rows
from cleanside.ingest.restriction.measure.ranks import quantile
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

NODES = 24  # levels on the grid, evenly in ln(share) (chosen: finer than lives differ)
#: strength of the ridge [lives] (chosen: tenfold apart; leaving lives out weighs the candidates)
RIDGES = (0.5, 5.0, 50.0)
#: used where lives are too few to weigh candidates, and for levels and kinds (chosen: the middle of RIDGES)
PLAIN_RIDGE = 5.0
#: a group's own curve counts n/(n + 5) against the common shape (open bench, lives left out)
POOLING_LIVES = 5.0
#: of a life's levels; of terminal: there the grid begins (chosen: noise lies below; nothing has no logarithm)
LOWEST_QUANTILE, LEAST_START = 0.02, 1e-3
LEAST_LEVEL = 0.01  # of the lowest on the grid (chosen: a level of nothing has no logarithm)
LEAST_TO_TERMINAL = 0.02  # of terminal (chosen: nearer, noise decides a slope of the way that is left)
LEAST_LEFT = 1e-3  # of a typical life (chosen: as nothing left divides by nothing)
#: bounds of what goes into the regression: straightness [ln], slopes [of the usual one] (chosen: a stop or a
#: jump must not decide)
MOST_STRAIGHT, MOST_SLOPE = 3.0, 3.0
#: of the most lives that a level has: there a kind's own curve is read (chosen: elsewhere few lives decide)
DENSE_SHARE = 0.25
EARLY_SHARE = 0.03  # of the typical life: before that, filling and settling, not loading (chosen)
REWEIGHTINGS = 3  # of lives by their errors (chosen: the weights hardly move after)
LEAST_RELATIVE_ERROR = 0.3  # of the median error, bounds a life's weight (chosen: to some threefold)
#: one, age, time since half way, short slope, long slope, straightness (open bench, lives left out)
FEATURES = 6
MAX_ROWS = 300  # of one life in the fit (chosen: rows of one life tell alike, and cost time)


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

    def hours_left(self, path: Path, group: str, rows: Rows = slice(None)) -> FloatArray:
        """Middle forecast at rows of a path, shape (rows,). [h] `group` must be one of `curves`."""
        return self.hours_left_at(self.seen([path], rows), group)

    def seen(self, paths: Sequence[Path], rows: Rows = slice(None)) -> SeenPaces:
        """What rows of each path show of its pace, one path after the other."""
        return _joined([_seen(self.grid, self.clean, path, rows) for path in paths])

    def hours_left_at(self, seen: SeenPaces, group: str) -> FloatArray:
        """As `hours_left`, at rows of any paths."""
        curve = self.curves[group]
        left, age, usual = seen.at.of(curve.left_h), seen.at.of(curve.age_h), seen.half.of(curve.age_h)
        features = _features(seen, left, age, usual, curve.typical_h)
        correction = np.sum(features.T * seen.at.of(self.coefficients), axis=1)
        return np.asarray(np.maximum(left + correction * curve.typical_h, 0.0))


@dataclass(frozen=True)
class GridPlace:
    """Where levels lie on the grid: `share` of the way from node `low` to the next, shape (n,) each."""

    low: IntArray
    share: FloatArray

    def of(self, values: FloatArray, first: IntArray | int = 0) -> FloatArray:
        """Curves given at the nodes, one a column, at each level; they begin at place `first` of `values`."""
        low = self.low + first
        share = self.share if values.ndim == 1 else self.share[:, None]
        return np.asarray(values[low] * (1.0 - share) + values[low + 1] * share)


def place_on(grid: FloatArray, level: FloatArray) -> GridPlace:
    """Where each level lies; at an end of the grid where it is beyond."""
    at = np.log(np.maximum(level, np.exp(grid[0])))
    x = np.clip((at - grid[0]) / (grid[1] - grid[0]), 0.0, len(grid) - 1 - 1e-9)
    low = x.astype(np.int64)
    return GridPlace(low, x - low)


def hat_basis(grid: FloatArray, level: FloatArray) -> FloatArray:
    """Weights of linear interpolation at each level, shape (n, len(grid)); constant beyond the grid."""
    at = place_on(grid, level)
    basis = np.zeros((len(level), len(grid)))
    rows = np.arange(len(level))
    basis[rows, at.low] = 1.0 - at.share
    basis[rows, at.low + 1] = at.share
    return basis


@dataclass(frozen=True)
class SeenPaces:
    """What rows of lives show, before anything is learned, shape (n,) each."""

    at: GridPlace  # level
    half: GridPlace  # half way from clean to there
    hours: FloatArray
    since_half: FloatArray  # hours since half way; NaN where that was before the first reading
    to_terminal: FloatArray  # share of terminal that is left
    slope_short: FloatArray
    slope_long: FloatArray
    straight: FloatArray  # ln of the straight line's end over the level


def _seen(grid: FloatArray, clean: float, path: Path, rows: Rows = slice(None)) -> SeenPaces:
    level, hours = path.level[rows], path.hours[rows]
    half = clean + 0.5 * (level - clean)
    crossed = np.minimum(np.searchsorted(path.peak, half), np.arange(len(path.peak))[rows])
    since_half = hours - path.hours[crossed]
    if path.unseen_h > 0.0:
        since_half = np.where(half <= path.peak[0], np.nan, since_half)
    floor = np.exp(grid[0]) * LEAST_LEVEL
    straight = np.log(np.maximum(path.line_long[rows], floor) / np.maximum(level, floor))
    return SeenPaces(
        at=place_on(grid, level),
        half=place_on(grid, half),
        hours=hours,
        since_half=since_half,
        to_terminal=np.maximum(1.0 - level, LEAST_TO_TERMINAL),
        slope_short=path.slope_short[rows],
        slope_long=path.slope_long[rows],
        straight=np.clip(straight, -MOST_STRAIGHT, MOST_STRAIGHT),
    )


def _features(
    seen: SeenPaces,
    left_h: FloatArray,
    age_h: FloatArray,
    age_half_h: FloatArray,
    typical_h: FloatArray | float,
) -> FloatArray:
    """
    This life's pace against its group's at the same level, shape (FEATURES, n), all without unit.

    left_h, age_h, age_half_h : the group's hours left and age at the level, and its age half way. [h]
    """
    left = left_h / typical_h
    since_half = (seen.since_half - (age_h - age_half_h)) / typical_h
    usual_slope = seen.to_terminal / (np.maximum(left, LEAST_LEFT) * typical_h)
    return np.stack(
        [
            np.ones(len(left)),
            (seen.hours - age_h) / typical_h,
            np.where(np.isnan(since_half), 0.0, since_half),
            (np.clip(seen.slope_short / usual_slope, 0.0, MOST_SLOPE) - 1.0) * left,
            (np.clip(seen.slope_long / usual_slope, 0.0, MOST_SLOPE) - 1.0) * left,
            seen.straight * left,
        ]
    )


# ---------------------------------------------------------------- learning


def fit_pace(teachers: Sequence[Teacher], ridge: float = PLAIN_RIDGE) -> PaceModel:
    """Learn from at least one teacher. The same teachers in any order give the same model to rounding."""
    [model] = fit_paces(teachers, (ridge,))
    return model


def fit_paces(teachers: Sequence[Teacher], ridges: Sequence[float]) -> list[PaceModel]:
    """As `fit_pace`, a model for each strength of the ridge."""
    stack = _stacked(teachers)
    models: list[PaceModel] = []
    for ridge in ridges:
        model, errors = stack.fit(stack.weights, ridge)
        for _ in range(REWEIGHTINGS):
            weights = stack.weights * _life_weights(errors, stack.group)
            model, errors = stack.fit(weights, ridge)
        models.append(model)
    return models


@dataclass(frozen=True)
class _Stack:
    """
    The rows of all lives, in order of their node; and what does not change while lives are reweighted.

    One array of all rows instead of one for each life, because a fit goes over them some hundred times.
    """

    grid: FloatArray
    clean: float
    typical: Mapping[str, float]
    weights: FloatArray  # of each life
    group: IntArray  # of each life, place in `typical`
    rows: IntArray  # of each life, how many
    life: IntArray  # of each row
    seen: SeenPaces  # of each row
    hours_left: FloatArray  # of each row
    #: weight of each row at its node and at the next, such that each life counts once at each
    #: node it passed, however many rows it has there
    counts: tuple[FloatArray, FloatArray]
    #: at each node the weight of each life, and its weighted hours left and age, shape (lives, NODES)
    totals: tuple[FloatArray, FloatArray, FloatArray]
    ends: IntArray  # rows of node k lie between ends[k] and ends[k + 1]

    def fit(self, weights: FloatArray, ridge: float) -> tuple[PaceModel, FloatArray]:
        """The model with these weights of lives, and its root mean square error on each [typical life]."""
        at, group = self.seen.at, self.group[self.life]
        curves = self._curves(weights)
        typical = np.array([curve.typical_h for curve in curves.values()])[group]
        left_h, age_h = (
            np.concatenate([getattr(c, n) for c in curves.values()]) for n in ("left_h", "age_h")
        )
        first = group * NODES
        left = at.of(left_h, first)
        x = _features(self.seen, left, at.of(age_h, first), self.seen.half.of(age_h, first), typical)
        y = (self.hours_left - left) / typical
        moments, targets = np.zeros((NODES, FEATURES, FEATURES)), np.zeros((NODES, FEATURES))
        for node, mine in self._nodes():
            features = x[:, mine]
            for k, counts in ((node, self.counts[0]), (node + 1, self.counts[1])):
                weighed = features * (weights[self.life[mine]] * counts[mine])
                moments[k] += weighed @ features.T
                targets[k] += weighed @ y[mine]
        coefficients = _ridge(moments, targets, ridge)
        correction = np.empty(len(y))
        for node, mine in self._nodes():
            share = at.share[mine]
            low, high = coefficients[node] @ x[:, mine], coefficients[node + 1] @ x[:, mine]
            correction[mine] = low * (1.0 - share) + high * share
        error = np.maximum(left + correction * typical, 0.0) - self.hours_left
        squares = np.bincount(self.life, (error / typical) ** 2, minlength=len(self.rows))
        return PaceModel(self.grid, self.clean, curves, coefficients), np.sqrt(squares / self.rows)

    def _nodes(self) -> Iterator[tuple[int, slice]]:
        for node in range(NODES - 1):
            yield node, slice(int(self.ends[node]), int(self.ends[node + 1]))

    def _curves(self, weights: FloatArray) -> dict[str, GroupCurve]:
        """Each group's curves; the fewer its lives, the more they are drawn to the common shape."""
        of_group = weights * (self.group == np.arange(len(self.typical))[:, None])
        mass, left, age = (of_group @ totals for totals in self.totals)
        lives = np.bincount(self.group, self.weights, minlength=len(self.typical))
        own: list[tuple[FloatArray, FloatArray]] = []
        for number, typical_h in enumerate(self.typical.values()):
            dense = mass[number] > DENSE_SHARE * mass[number].max()
            at, of = self.grid[dense], mass[number][dense]
            own.append(
                (
                    np.interp(self.grid, at, left[number][dense] / of) / typical_h,
                    np.interp(self.grid, at, age[number][dense] / of) / typical_h,
                )
            )
        common = [
            sum(w * shapes[i] for w, shapes in zip(lives, own, strict=True)) / lives.sum() for i in (0, 1)
        ]
        curves: dict[str, GroupCurve] = {}
        for (group, typical_h), shapes, w in zip(self.typical.items(), own, lives.tolist(), strict=True):
            share = 1.0 if len(own) == 1 else w / (w + POOLING_LIVES)
            drawn = [typical_h * (c + share * (s - c)) for c, s in zip(common, shapes, strict=True)]
            curves[group] = GroupCurve(typical_h, drawn[0], drawn[1], w)
        return curves


def _stacked(teachers: Sequence[Teacher]) -> _Stack:
    typical = typical_lives(teachers)
    begins = [_settled_from(teacher, typical[teacher.group]) for teacher in teachers]
    grid = _level_grid(teachers, begins)
    clean = _clean(teachers, begins)
    thin = [_thinned(teacher, begin) for teacher, begin in zip(teachers, begins, strict=True)]
    each = [_seen(grid, clean, path) for path, _ in thin]
    rows = np.array([len(left) for _, left in thin])
    life = np.repeat(np.arange(len(thin)), rows)
    low = np.concatenate([seen.at.low for seen in each])
    order = np.argsort(low, kind="stable")
    seen = _joined(each, order)
    numbers = {group: number for number, group in enumerate(typical)}
    life, left = life[order], np.concatenate([left for _, left in thin])[order]
    counts = _counts(seen.at, life)
    return _Stack(
        grid=grid,
        clean=clean,
        typical=typical,
        weights=np.array([teacher.weight for teacher in teachers]),
        group=np.array([numbers[teacher.group] for teacher in teachers]),
        rows=rows,
        life=life,
        seen=seen,
        hours_left=left,
        counts=counts,
        totals=(
            _totals(seen.at, life, *counts),
            _totals(seen.at, life, counts[0] * left, counts[1] * left),
            _totals(seen.at, life, counts[0] * seen.hours, counts[1] * seen.hours),
        ),
        ends=np.searchsorted(low[order], np.arange(NODES)),
    )


def _joined(each: Sequence[SeenPaces], order: IntArray | slice = slice(None)) -> SeenPaces:
    return SeenPaces(
        at=_joined_places([seen.at for seen in each], order),
        half=_joined_places([seen.half for seen in each], order),
        **{name: np.concatenate([getattr(seen, name) for seen in each])[order] for name in _SEEN_COLUMNS},
    )


_SEEN_COLUMNS = ("hours", "since_half", "to_terminal", "slope_short", "slope_long", "straight")


def _joined_places(places: Sequence[GridPlace], order: IntArray | slice) -> GridPlace:
    low = np.concatenate([place.low for place in places])
    return GridPlace(low[order], np.concatenate([place.share for place in places])[order])


def _counts(at: GridPlace, life: IntArray) -> tuple[FloatArray, FloatArray]:
    mass = _totals(at, life, 1.0 - at.share, at.share)
    once = np.minimum(mass, 1.0) / np.maximum(mass, 1e-9)
    return (1.0 - at.share) * once[life, at.low], at.share * once[life, at.low + 1]


def _totals(at: GridPlace, life: IntArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Sums over the rows of each life: `low` at their node, `high` at the next; shape (lives, NODES)."""
    cell, size = life * NODES + at.low, (int(life.max()) + 1) * NODES
    total = np.bincount(cell, low, minlength=size) + np.bincount(cell + 1, high, minlength=size)
    return np.asarray(total.reshape(-1, NODES))


def typical_lives(teachers: Sequence[Teacher]) -> dict[str, float]:
    """Median life of each group. [h]"""
    ends: dict[str, list[float]] = {}
    for teacher in teachers:
        ends.setdefault(teacher.group, []).append(float(teacher.path.hours[-1] + teacher.hours_left[-1]))
    return {group: float(np.median(values)) for group, values in ends.items()}


def _level_grid(teachers: Sequence[Teacher], begins: Sequence[int]) -> FloatArray:
    """From the level that nearly all lives start above (2 % point of settled rows) to terminal."""
    settled = [teacher.path.level[begin:] for teacher, begin in _whole(teachers, begins)]
    lowest = [quantile(level, LOWEST_QUANTILE) for level in settled]
    start = float(np.clip(np.median(lowest), LEAST_START, MOST_CLEAN))
    return np.linspace(np.log(start), 0.0, NODES)


def clean_share(teachers: Sequence[Teacher], typical: Mapping[str, float]) -> float:
    """Median over lives of the level just after settling."""
    return _clean(teachers, [_settled_from(teacher, typical[teacher.group]) for teacher in teachers])


def _clean(teachers: Sequence[Teacher], begins: Sequence[int]) -> float:
    early = [float(teacher.path.level[begin]) for teacher, begin in _whole(teachers, begins)]
    return float(np.clip(np.median(early), 0.0, MOST_CLEAN))


def _whole(teachers: Sequence[Teacher], begins: Sequence[int]) -> list[tuple[Teacher, int]]:
    """Lives whose first level is a clean one, each with its row; all lives, where none was seen from new."""
    pairs = list(zip(teachers, begins, strict=True))
    return [(teacher, begin) for teacher, begin in pairs if teacher.path.unseen_h == 0.0] or pairs


def _settled_from(teacher: Teacher, typical_h: float) -> int:
    """The first row after settling; the last where there is none."""
    first = np.searchsorted(teacher.path.hours, EARLY_SHARE * typical_h * (1.0 - NUDGE))
    return min(int(first), len(teacher.path.hours) - 1)


def _thinned(teacher: Teacher, begin: int) -> tuple[Path, FloatArray]:
    """Path and hours left from a row on, at most MAX_ROWS of them, evenly."""
    rows = np.arange(begin, len(teacher.path.hours))
    if len(rows) > MAX_ROWS:
        rows = rows[np.linspace(0, len(rows) - 1, MAX_ROWS).round().astype(np.int64)]
    path = teacher.path
    picked = Path(
        path.hours[rows],
        path.level[rows],
        path.peak[rows],
        path.slope_short[rows],
        path.slope_long[rows],
        path.line_long[rows],
        path.scatter[rows],
        path.unseen_h,
    )
    return picked, teacher.hours_left[rows]


def _ridge(moments: FloatArray, targets: FloatArray, ridge: float) -> FloatArray:
    """Regression at each node, shape (NODES, FEATURES); pulled to 0 in units of each feature's own spread."""
    mass = np.maximum(moments[:, 0, 0], 1e-9)
    power = np.diagonal(moments, axis1=1, axis2=2) / mass[:, None]
    pull = ridge * np.maximum(power, 1e-9)
    pull[:, 0] = 1.0  # where lives are few, the look-up alone counts
    system = moments + pull[:, :, None] * np.eye(FEATURES)
    return np.asarray(np.linalg.solve(system, targets[:, :, None])[:, :, 0], dtype=np.float64)


def _life_weights(errors: FloatArray, groups: IntArray) -> FloatArray:
    """
    1/error in each group, mean 1: least squares with these weights minimises the sum of the roots.
    """
    weights = np.ones(len(errors))
    for group in np.unique(groups):
        mine = groups == group
        middle = max(float(np.median(errors[mine])), 1e-12)
        inverse = 1.0 / np.maximum(errors[mine] / middle, LEAST_RELATIVE_ERROR)
        weights[mine] = inverse / inverse.mean()
    return weights
