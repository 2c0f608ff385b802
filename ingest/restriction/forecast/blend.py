"""
How look-up and prior are weighed against each other, and how wide the interval is: from lives left out.

Each life left out is forecast whole, by both, from the others. In each third of the way to terminal the
weight that fits them best is learned, where it is clearly better than what is set. Then the 10 and 90 %
points are stretched until they hold the truth as often as they state, every life counting once.
Leaves to others: the two forecasts (`prior`, `pace`), and which lives are left out together (`twins`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.forecast.prior import Z90
from cleanside.ingest.restriction.measure.summary import FloatArray

PHASES = 3  # of the way from clean to terminal (chosen: few lives tell of no more)
CANDIDATES = np.array([0.0, 0.25, 0.5, 0.75, 1.0])  # weights of the look-up that are tried (chosen: quarters)
SET_HALF_LIVES = np.array([0.7, 2.0, 6.0])  # set weight n^2/(n^2 + h^2) in each phase (tuning benches)
SET_LIVES = 6.0  # what is set counts as that many lives left out (chosen)
PULL_LIVES = 6.0  # the same for no stretch: few lives may be twins (chosen; TRIALS has what others cost)
STRETCHES = (0.3, 3.0)  # of the points, least and most (chosen: what divides by almost nothing decides less)
#: of a typical life: hours left are weighed in their logarithm from there on (chosen: below, noise decides)
REST = 0.01
INSIDE = 0.9  # arithmetic: one in ten lies beyond each end of the 80 % interval
#: the tail of few lives is that of n/(n + 2) of it (chosen, made benches: the outermost row of all is the end
#: of one life, and says little of the rest of it)
TAIL_LIVES = 2.0
LAST_SHARE = 0.3  # of a typical life: a forecast of less says that the last days have come
LAST_SPREAD = 1.0  # of ln(hours left), late side alone: by how much that may be too soon (made fleets)


@dataclass(frozen=True)
class Blend:
    """Weight of the look-up in each phase, as far as lives left out say so, and stretch of the interval."""

    weight: FloatArray  # shape (PHASES,)
    lives: float = 0.0  # left out; batches count as one
    below: float = 1.0
    above: float = 1.0

    def trust(self, progress: FloatArray, lives: float) -> FloatArray:
        """Weight of the look-up at each progress, shape (n,). lives : as in `set_weight`."""
        weight = (self.lives * self.weight + SET_LIVES * set_weight(lives)) / (self.lives + SET_LIVES)
        return at_progress(weight, progress)

    def stretched(self, points: FloatArray) -> FloatArray:
        """10, 50 and 90 % points with their distance from the middle stretched, shape (n, 3), >= 0. [h]"""
        middle = points[:, 1]
        low = middle - self.below * (middle - points[:, 0])
        high = middle + self.above * (points[:, 2] - middle)
        return np.maximum(np.stack((low, middle, high), axis=1), 0.0)


def at_progress(of_phase: FloatArray, progress: FloatArray) -> FloatArray:
    """What holds in the middle of each phase, at each progress between them, shape (n,)."""
    return np.asarray(np.interp(progress, (np.arange(PHASES) + 0.5) / PHASES, of_phase))


def around(middle: FloatArray, points: FloatArray, rest_h: float) -> FloatArray:
    """10, 50 and 90 % points moved to a middle, as wide in the logarithm, shape (n, 3), >= 0. [h]"""
    logs = np.log(points + rest_h)
    moved = np.exp(logs - logs[:, 1:2] + np.log(middle + rest_h)[:, None]) - rest_h
    return np.asarray(np.maximum(moved, 0.0))


def set_weight(lives: float) -> FloatArray:
    """
    Weight of the look-up in each phase, shape (PHASES,), by the number of lives it was learned from.

    Near the clean level a level says little of the pace, so what others lasted counts from the first of them
    on; later a life's own pace is worth more than the length of few others.
    """
    return np.asarray(lives**2 / (lives**2 + SET_HALF_LIVES**2))


NO_BLEND = Blend(np.full(PHASES, 0.5))  # chosen: neither is known to be better


@dataclass(frozen=True)
class Trial:
    """One life left out, at some of its rows, shape (n,) or (n, 3). [h]"""

    progress: FloatArray
    by_lookup: FloatArray  # 10, 50 and 90 % points
    alone: FloatArray
    truth: FloatArray
    tells: FloatArray  # weight of the look-up by level
    lives: float  # behind the look-up
    rest_h: float  # hours left are weighed in their logarithm from there on
    counts: float = 1.0  # less for one of several twins


def learn_weights(trials: Sequence[Trial]) -> Blend:
    """
    Weight of the look-up in each phase: the candidate with the least error, if that beats the set weight by
    more than a standard error; else the set weight.

    The rule of one standard error: Breiman and others, "Classification and Regression Trees" (1984), 3.4.3.
    """
    errors = np.stack([_phase_errors(trial) for trial in trials])  # lives, candidates, phases
    counts = np.array([trial.counts for trial in trials])
    weight = set_weight(float(np.mean([trial.lives for trial in trials])))
    for phase in range(PHASES):
        seen = ~np.isnan(errors[:, 0, phase])
        if counts[seen].sum() > 1.0:
            better = _clearly_better(errors[seen, :, phase], counts[seen], float(weight[phase]))
            weight[phase] = weight[phase] if better is None else better
    return Blend(weight, float(counts.sum()))


def _clearly_better(errors: FloatArray, counts: FloatArray, weight: float) -> float | None:
    """
    The best candidate, if it is clearly better than the one nearest to `weight`; None: it is not.

    errors : shape (lives, candidates).
    """
    gain = errors[:, [int(np.argmin(np.abs(CANDIDATES - weight)))]] - errors
    mean = counts @ gain / counts.sum()
    spread = np.sqrt(counts @ (gain - mean) ** 2 / counts.sum() / counts.sum())
    best = int(np.argmax(mean))
    return float(CANDIDATES[best]) if mean[best] > spread[best] else None


def stretch(blend: Blend, trials: Sequence[Trial], *, ended_share: float = 1.0) -> Blend:
    """
    With the interval stretched to hold the truth of lives left out as often as it states.

    ended_share : as in `with_last_days`.
    """
    away, weights = [], []
    for trial in trials:
        trust = trial.tells * blend.trust(trial.progress, trial.lives)
        points = blended(trial, trust, blend.lives, ended_share)
        off = trial.truth - points[:, 1]
        room = np.where(off > 0, points[:, 2] - points[:, 1], points[:, 1] - points[:, 0])
        away.append(off / np.maximum(room, 1e-6 * trial.rest_h))
        weights.append(np.full(len(off), trial.counts / len(off)))
    off, weight = np.concatenate(away), np.concatenate(weights)
    order = np.argsort(off, kind="stable")
    place = (np.cumsum(weight[order]) - 0.5 * weight[order]) / weight.sum()
    tail = (1.0 - INSIDE) * blend.lives / (blend.lives + TAIL_LIVES)
    low, high = np.interp((tail, 1.0 - tail), place, off[order])
    factors = np.clip((-low, high), *STRETCHES)
    others = max(blend.lives - 1.0, 0.0)  # one batch says nothing of how far the next one lies from it
    lives = np.where(factors < 1.0, others, blend.lives)
    below, above = factors ** (lives / (lives + PULL_LIVES))
    return Blend(blend.weight, blend.lives, float(below), float(above))


def blended(trial: Trial, trust: FloatArray, lives: float, ended_share: float = 1.0) -> FloatArray:
    """10, 50 and 90 % points at a weight of the look-up, shape (n, 3). [h] Others as in `blend_points`."""
    points = trial.by_lookup, trial.alone
    return blend_points(*points, trust, trial.rest_h, lives=lives, ended_share=ended_share)


def blend_points(
    points: FloatArray,
    alone: FloatArray,
    trust: FloatArray,
    rest_h: float,
    *,
    lives: float,
    ended_share: float = 1.0,
) -> FloatArray:
    """
    Geometric blend of look-up and prior, shape (n, 3), finite near zero by `rest_h`; the points in order.

    trust : weight of the look-up, shape (n,). lives : left out; where they are few, how wide the look-up's
    interval has to be is not known, and it is made as wide as the prior's. ended_share : as in
    `with_last_days`.
    """
    by_lookup, by_prior = np.log(points + rest_h), np.log(alone + rest_h)
    known = lives / (lives + SET_LIVES)
    width = known * (by_lookup - by_lookup[:, 1:2]) + (1.0 - known) * (by_prior - by_prior[:, 1:2])
    logs = trust[:, None] * (by_lookup[:, 1:2] + width) + (1.0 - trust[:, None]) * by_prior
    rising = np.sort(np.maximum(np.exp(logs) - rest_h, 0.0), axis=1)
    return with_last_days(rising, rest_h, lives=lives, ended_share=ended_share)


def with_last_days(
    points: FloatArray, rest_h: float, *, lives: float, ended_share: float = 1.0
) -> FloatArray:
    """
    10, 50 and 90 % points with a later late one where the middle says that few hours are left, shape (n, 3).

    The lives of a young record that were seen to their end are its short ones, and curves know nothing of the
    dust of the coming days: who says "few days" early on says it too soon. LAST_SPREAD counts as SET_LIVES
    lives left out; as they become more, `stretch` widens or narrows what is left of it. Only whole lives are
    left out, and where many lives were changed early or still run they are the short ones too. So they count
    by ended_share, the share of the lives that were seen to their end.
    """
    lead = REST * points[:, 1] / rest_h
    doubt = np.sqrt(SET_LIVES / (ended_share * lives + SET_LIVES))
    spread = LAST_SPREAD * doubt * np.clip(1.0 - lead / LAST_SHARE, 0.0, 1.0)
    logs = np.log(points[:, 1:] + rest_h)
    late = logs[:, 0] + np.hypot(logs[:, 1] - logs[:, 0], Z90 * spread)
    return np.column_stack((points[:, :2], np.exp(late) - rest_h))


def _phase_errors(trial: Trial) -> FloatArray:
    """Root mean square error over rest_h of each candidate in each phase; NaN: no row there."""
    phase = np.clip((trial.progress * PHASES).astype(np.int64), 0, PHASES - 1)
    rows = np.bincount(phase, minlength=PHASES).astype(np.float64)
    result = np.empty((len(CANDIDATES), PHASES))
    for i, weight in enumerate(CANDIDATES):
        off = blended(trial, trial.tells * weight, 0.0)[:, 1] - trial.truth
        squares = np.bincount(phase, (off / trial.rest_h) ** 2, minlength=PHASES)
        with np.errstate(invalid="ignore"):
            result[i] = np.sqrt(squares / rows)
    return result
