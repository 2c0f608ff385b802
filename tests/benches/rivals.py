"""
Other ways to forecast the hours left, to compare with: forest, boosting, survival curves.

Forest and boosting: scikit-learn, its defaults but for the size of a leaf, on causal features of a row.
Survival curve: Kaplan and Meier, "Nonparametric Estimation from Incomplete Observations", JASA 53 (1958); the
median of the lengths beyond the present age.
Weibull curve: W. Weibull, J. Appl. Mech. 18 (1951), by maximum likelihood with censored lives (W. Q. Meeker
and L. A. Escobar, "Statistical Methods for Reliability Data" (1998), from memory); the same median.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from sklearn.ensemble import GradientBoostingRegressor, RandomForestRegressor

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.paths import trace
from tests.benches.form import Array

LEAF_ROWS = 5
LEAST_FOR_WEIBULL = 2  # ends: two parameters
SHAPES = np.exp(np.linspace(np.log(0.5), np.log(20.0), 200))
Rival = Callable[[Life], Array]  # hours left at each row


def fit_rivals(lives: Sequence[Life], *, learners: bool) -> dict[str, Rival]:
    """
    Name to rival; those that need a whole life are left out where there is none.

    learners : with forest and boosting, which take seconds.
    """
    rivals: dict[str, Rival] = {"survival curve": _survival(lives)}
    complete = [life for life in lives if life.complete]
    if len(complete) >= LEAST_FOR_WEIBULL:
        rivals["Weibull curve"] = _weibull_by_group(lives)
    if complete and learners:
        groups = sorted({life.kind for life in lives})
        x = np.concatenate([_features(life, groups) for life in complete])
        y = np.concatenate([life.hours[-1] - life.hours for life in complete])
        forest = RandomForestRegressor(100, min_samples_leaf=LEAF_ROWS, random_state=0).fit(x, y)
        boosting = GradientBoostingRegressor(min_samples_leaf=LEAF_ROWS, random_state=0).fit(x, y)
        rivals["forest"] = lambda life: np.asarray(forest.predict(_features(life, groups)))
        rivals["boosting"] = lambda life: np.maximum(boosting.predict(_features(life, groups)), 0.0)
    return rivals


def _features(life: Life, groups: Sequence[str]) -> Array:
    share = life.restriction_pa / life.terminal_pa
    path = trace(life.hours, share)
    half = np.minimum(np.searchsorted(path.peak, 0.5 * path.level), np.arange(len(share)))
    columns = [life.hours, share, path.level, path.peak, path.slope_short, path.slope_long]
    columns += [life.hours - life.hours[half], np.full(len(share), float(np.mean(share[:5])))]
    columns += [np.full(len(share), float(life.kind == group)) for group in groups[1:]]
    return np.stack(columns, axis=1)


def _survival(lives: Sequence[Life]) -> Rival:
    groups = {life.kind for life in lives}
    curves = {kind: _kaplan_meier([life for life in lives if life.kind == kind]) for kind in groups}
    of_all = _kaplan_meier(lives)
    return lambda life: _median_left(*curves.get(life.kind, of_all), life.hours)


def _kaplan_meier(lives: Sequence[Life]) -> tuple[Array, Array]:
    """Lengths at which lives ended, rising, and the share that lasts longer than each."""
    lengths = np.array([life.hours[-1] for life in lives])
    ends = np.array([life.complete for life in lives])
    at = np.unique(lengths[ends]) if ends.any() else np.array([lengths.max()])
    risk = np.array([np.sum(lengths >= t) for t in at])
    events = np.array([np.sum(ends & (lengths == t)) for t in at])
    return at, np.cumprod(1.0 - events / risk)


def _median_left(at: Array, lasts: Array, age: Array) -> Array:
    """Where the curve does not fall to the half of what it is now: up to its last length."""
    now = np.concatenate(([1.0], lasts))[np.searchsorted(at, age, side="right")]
    below = np.searchsorted(-lasts, -0.5 * now)
    return np.asarray(np.maximum(at[np.minimum(below, len(at) - 1)] - age, 0.0))


def _weibull_by_group(lives: Sequence[Life]) -> Rival:
    """A curve of its own for each group of which enough was seen to its end, of all lives for the others."""
    of_all = _weibull(lives)
    groups = {kind: [life for life in lives if life.kind == kind] for kind in {life.kind for life in lives}}
    enough = {k: of for k, of in groups.items() if sum(life.complete for life in of) >= LEAST_FOR_WEIBULL}
    curves = {kind: _weibull(of) for kind, of in enough.items()}
    return lambda life: curves.get(life.kind, of_all)(life)


def _weibull(lives: Sequence[Life]) -> Rival:
    """The scale that is likeliest at each shape is known in closed form; the shape is searched for."""
    lengths = np.array([life.hours[-1] for life in lives])
    ends = np.array([life.complete for life in lives])
    powers = (lengths / lengths.max()) ** SHAPES[:, None]
    scales = (powers.sum(axis=1) / ends.sum()) ** (1 / SHAPES)
    logs = np.log(lengths[ends] / lengths.max()).sum()
    likely = (
        ends.sum() * np.log(SHAPES / scales)
        + (SHAPES - 1) * (logs - ends.sum() * np.log(scales))
        - ends.sum()
    )
    best = int(np.argmax(likely))
    shape, scale_h = SHAPES[best], scales[best] * lengths.max()
    return lambda life: scale_h * ((life.hours / scale_h) ** shape + np.log(2)) ** (1 / shape) - life.hours
