"""
The prior of a kind, fitted: how long its elements last and along which curve, from complete and censored
lives.

Strategy: survival analysis. At any moment the short lives have ended and the long ones still run, so a mean
over ended lives is too short. The length of a running or censored life is imputed from its own curve so far.
In each kind ln(length) follows Student's distribution, around a middle drawn to that of all kinds. Middle
and spread are found by expectation-maximisation (Dempster, Laird, Rubin 1977).
Promises: scale-free; wide from few lives; the order of the lives does not matter.
Leaves to others: hours left (`prior`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.kinds import KIND_SPREAD
from cleanside.ingest.restriction.forecast.modes import LengthOdds, kinds_by_length
from cleanside.ingest.restriction.forecast.paths import NUDGE, terminal_row, trace
from cleanside.ingest.restriction.forecast.prior import (
    EVEN_CURVES,
    GRID,
    LIVED,
    SHAPE_SPREAD,
    TAIL,
    USUAL_SPREAD,
    LikelyKind,
    MeanCurve,
    Usual,
    Way,
    clean_of,
    length_odds,
    ln_life_of,
    way_of,
)
from cleanside.ingest.restriction.forecast.twins import batches, counts_of, place_of
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

ROUNDS = 12  # of each expectation-maximisation (chosen: the same time for every fleet)
PRIOR_LIVES = 1.0  # USUAL_SPREAD counts as that many (chosen: one seen life weighs as much)

MOST_OF_A_KIND = 5.0  # lives of one kind that count for the middle of all (chosen: a large kind is one kind)
MACHINE_PULL_LIVES = 2.0  # a machine's own pace counts n/(n + 2) (chosen: one life is little)
KINDS_APART = 0.7  # of ln(life): kinds of one fleet are about twofold apart (chosen, made lives)
NEW_KIND_CURVE = 0.5  # of lives of a kind not seen follow the curve of the others (chosen, made sites)
USUAL_LIVES = 1.0  # the prior before any life counts as that many lives (chosen: one seen weighs as much)
LEAST_TOLD = 0.05  # of a life: bounds steps and middles where lives carry no information (chosen)

MEAN_CURVE_LIVES = 0.5  # the family counts as that many lives beside the mean curve
#: the mean curve of all kinds counts as that many lives of one (chosen: two lives name no curve)
MEAN_CURVE_PULL_LIVES = 3.0
#: of used x (1 - used): how far lives are from their mean curve, as of one more (chosen: as SHAPE_SPREAD)
MEAN_CURVE_SPREAD = 0.35
LEAST_PROGRESS_ERROR = 0.01  # of the span from clean to terminal (chosen: a step of a 0.05 kPa sensor)
CURVE_LIVES = 2.0  # the even family of curves counts as that many lives (chosen: few lives name no curve)
SLOPE_LIVES = 0.5  # a running life's slope as half a life (chosen: it tells less than a whole curve)
SHAPE_LIVES = 3.0  # and SHAPE_SPREAD as that many (chosen: a spread needs more lives than a middle)
#: of a life: rows at which its curve is compared (chosen: evenly, the clean end and the last days left out),
SHARES = np.array([0.15, 0.3, 0.45, 0.6, 0.75, 0.9])
INDEPENDENT = 3.0  # of which so many are independent (chosen: neighbours wander together)
#: of used x (1 - used): nearer to either end the level's own error rules (chosen: a tenth of the life)
LEAST_BEND = 0.09


@dataclass(frozen=True)
class Lengths:
    """Lengths and curves, as learned from lives."""

    kinds: Mapping[str, Usual]
    any_kind: Usual  # of a kind not seen, for the middle
    any_width: Usual  # the same for the interval: how far kinds are apart is itself unsure, and so are curves
    machine_pace: Mapping[str, float]  # length of a machine's lives against its kind's
    shares: Mapping[str, float]  # of lives that are of each kind
    told: float  # information on lengths [lives]; a complete life counts one, a young one next to none
    labelled: bool  # by people; else the kinds were found by length, or there is one

    def of(self, kind: str, machine: str = "") -> Usual:
        """The prior of a kind, on a machine with its own pace."""
        usual = self.kinds.get(kind, self.any_kind)
        return replace(usual, life_h=usual.life_h * self.machine_pace.get(machine, 1.0))

    def likely(self, kind: str, machine: str = "") -> list[LikelyKind]:
        """The prior of a kind; where it is unknown, of each kind that the life may be of."""
        if kind in self.kinds or (kind and self.labelled):
            return [LikelyKind(1.0, self.of(kind, machine))]
        return [LikelyKind(share, self.of(name, machine)) for name, share in self.shares.items()]

    def width_of_new(self, machine: str = "") -> Usual:
        """How wide the forecast of a kind not seen is, on a machine with its own pace."""
        pace = self.machine_pace.get(machine, 1.0)
        return replace(self.any_width, life_h=self.any_width.life_h * pace)

    def of_no_kind(self, kind: str, machine: str = "") -> Usual:
        """The prior of an outlier: an element like none of its kind."""
        usual = self.of(kind, machine)
        spread = float(np.hypot(usual.spread, KIND_SPREAD))
        return replace(usual, spread=spread, shape_spread=max(usual.shape_spread, SHAPE_SPREAD))


def learn_lengths(lives: Sequence[Life], usual_life_h: float | None = None) -> tuple[Lengths, list[float]]:
    """
    Learn lengths and curves from lives; and the hours left to expect after the last row of each. [h]

    lives : at least one, each of two rows or more that are some time apart.
    usual_life_h : usual life where nothing was learned yet; None = nothing is known. [h]
    """
    seen = [_TracedLife(life) for life in lives]
    whole = [one for one in seen if one.is_whole]
    running = [one.last_way(SHAPE_SPREAD) for one in seen if one.life.from_new and not one.life.complete]
    counts = _counts(seen)
    of_whole = counts[[one.is_whole for one in seen]]
    curves, shape_spread = _curves(whole, of_whole, running)
    mean_curves = _mean_curves(whole, of_whole)
    ways = [
        None if one.is_whole else one.last_way(shape_spread, _of_kind(mean_curves, one.life.kind))
        for one in seen
    ]
    names = sorted({life.kind for life in lives})
    kind = np.array([names.index(life.kind) for life in lives])
    ln_life = np.array(
        [
            np.log(one.end_h)
            if one.is_whole
            else ln_life_of(one.last_way(shape_spread), None, from_new=one.life.from_new)[0]
            for one in seen
        ]
    )
    doubt, left_h = np.zeros(len(lives)), np.zeros(len(lives))
    before = _NOTHING_BEFORE if usual_life_h is None else _Before(float(np.log(usual_life_h)), USUAL_LIVES)
    middle = before.ln_life if before.lives and not whole else float(ln_life.mean())
    fit = _Fit(np.full(len(names), middle), middle, USUAL_SPREAD)
    for _ in range(ROUNDS):
        for i, way in enumerate(ways):
            if way is not None:
                middle, of_kind = float(np.exp(fit.middles[kind[i]])), _of_kind(mean_curves, lives[i].kind)
                usual = Usual(middle, fit.spread, curves, shape_spread, of_kind)
                ln_life[i], doubt[i], left_h[i] = ln_life_of(way, usual, from_new=lives[i].from_new)
        fit = fit.again(ln_life, doubt, kind, counts, before)
    told = counts * np.maximum(1.0 - doubt / fit.spread**2, 0.0)  # of each life: 1 = its length is known
    heard = np.bincount(kind, told, minlength=len(names))
    beside = np.minimum(heard.sum() - heard, fit.pull_lives)  # what the other kinds say about this one

    next_apart = fit.apart * float(np.sqrt(1.0 + 1.0 / len(names)))  # of a kind not seen
    heard_all = float(heard.sum())

    def usual_of(name: str | None, middle: float, of_lives: float, apart: float = 0.0) -> Usual:
        unsure = fit.spread / np.sqrt(max(of_lives + before.lives, LEAST_TOLD))
        spread = float(np.sqrt(fit.spread**2 + unsure**2 + apart**2))
        of_kind = _of_kind(mean_curves, name)
        return Usual(float(np.exp(middle)), spread, curves, shape_spread, of_kind, has_tails=True)

    lengths = Lengths(
        kinds={name: usual_of(name, fit.middles[i], heard[i] + beside[i]) for i, name in enumerate(names)},
        any_kind=usual_of(None, fit.common, heard_all, fit.apart),
        any_width=_of_any_curve(usual_of(None, fit.common, heard_all, next_apart)),
        machine_pace=_machine_pace([life.machine for life in lives], told, ln_life - fit.middles[kind]),
        shares=dict(zip(names, (np.bincount(kind, counts) / counts.sum()).tolist(), strict=True)),
        told=float(told.sum()),
        labelled=any(names),
    )
    return lengths, [0.0 if life.complete else h for life, h in zip(lives, left_h.tolist(), strict=True)]


def _of_any_curve(usual: Usual) -> Usual:
    """The same with half of its curves those that any element may follow: another dust bends another way."""
    curves = usual.curves
    if usual.mean_curve is not None:
        curves = np.append((1.0 - NEW_KIND_CURVE) * EVEN_CURVES, NEW_KIND_CURVE)
    return replace(usual, curves=curves, shape_spread=max(usual.shape_spread, SHAPE_SPREAD))


def with_kinds(lives: Sequence[Life]) -> list[Life]:
    """At least one life; labelled by length where none has a label and the lengths fall apart."""
    if any(life.kind for life in lives):
        return list(lives)
    seen = [_TracedLife(life) for life in lives]
    whole = [one for one in seen if one.is_whole]
    each = np.ones(len(whole))
    curves, shape_spread = _curves(whole, each, [])
    usual = Usual(1.0, USUAL_SPREAD, curves, shape_spread, _mean_curves(whole, each).get(None))
    numbers = kinds_by_length([one.length_odds(usual) for one in seen])
    if numbers.max() == 0:
        return list(lives)
    return [replace(life, kind=f"length {number + 1}") for life, number in zip(lives, numbers, strict=True)]


class _TracedLife:
    """A life with its path."""

    def __init__(self, life: Life) -> None:
        self.life = life
        self.is_whole = life.complete and life.from_new
        self._share = life.restriction_pa / life.terminal_pa
        self._path = trace(life.hours, self._share)
        #: hours up to terminal, or to the last row
        self.end_h = float(life.hours[terminal_row(life.hours, self._path.peak)])

    def last_way(self, shape_spread: float, mean_curve: MeanCurve | None = None) -> Way:
        """Where its last row is."""
        last, new = slice(len(self._share) - 1, None), self.life.from_new
        return way_of(
            self._path, self._share, last, from_new=new, shape_spread=shape_spread, mean_curve=mean_curve
        )

    def length_odds(self, usual: Usual) -> LengthOdds:
        """How likely it has each length, by itself."""
        if self.is_whole:
            return LengthOdds(np.full(len(GRID), np.log(self.end_h)), np.ones(len(GRID)))
        way = self.last_way(usual.shape_spread, usual.mean_curve)
        return LengthOdds(*length_odds(way, usual, from_new=self.life.from_new))

    def place(self) -> tuple[float, float]:
        """A whole life as a point, by which twins are found."""
        return place_of(self._path, self.end_h)

    def progress_at(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        Progress of a whole life at each of LIVED, shape (LIVED,) each: how many rows say so, mean, variance.
        """
        clean = clean_of(self._path, self._share, from_new=True)
        upto = self.life.hours <= self.end_h
        progress = ((self._path.level - clean) / (1.0 - clean))[upto]
        basis = _hats(self.life.hours[upto] / self.end_h)
        rows = np.maximum(basis.sum(axis=0), 1e-9)
        mean = progress @ basis / rows
        return rows, mean, (progress - basis @ mean) ** 2 @ basis / rows

    def strays(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """
        How far a whole life lies from each curve at SHARES of it, shape (rows, curves) each: the share that
        its level stands for less the share lived; used x (1 - used), by which that scales; and the level's
        error.
        """
        hours = self.life.hours
        rows = np.minimum(np.searchsorted(hours, SHARES * self.end_h * (1.0 - NUDGE)), len(hours) - 1)
        way = way_of(self._path, self._share, slice(None), from_new=True, shape_spread=0.0)
        used = way.used[rows]
        bend = np.maximum(used * (1.0 - used), LEAST_BEND)
        return used - (hours[rows] / self.end_h)[:, None], bend, way.error[rows]


def _counts(lives: Sequence[_TracedLife]) -> FloatArray:
    """How much each life counts: twins count as one."""
    counts = np.ones(len(lives))
    whole = [i for i, one in enumerate(lives) if one.is_whole]
    places = [lives[i].place() for i in whole]
    counts[whole] = counts_of(batches(places, [lives[i].life.kind for i in whole]))
    return counts


class _Before(NamedTuple):
    """The prior before any life is known: ln(life), and as how many lives it counts."""

    ln_life: float
    lives: float


_NOTHING_BEFORE = _Before(0.0, 0.0)  # arithmetic: no life


@dataclass(frozen=True)
class _Fit:
    """Lognormal lengths: middle of each kind and of all, spread within. ln [h]"""

    middles: FloatArray
    common: float
    spread: float

    @property
    def apart(self) -> float:
        """How far kinds lie from the middle of all, as KINDS_APART and the seen ones say. ln [h]"""
        squares = float(np.sum((self.middles - self.common) ** 2)) + KINDS_APART**2
        return float(np.sqrt(squares / len(self.middles)))

    @property
    def pull_lives(self) -> float:
        """As how many lives of one kind the middle of all counts: the less, the further kinds are apart."""
        return (self.spread / self.apart) ** 2

    def again(
        self, ln_life: FloatArray, doubt: FloatArray, kind: IntArray, counts: FloatArray, before: _Before
    ) -> _Fit:
        """
        Fitted to the present estimates of the lives: mean and variance of their ln(life), shape (lives,).

        counts : how much each life counts.

        Newton step. Plain EM converges slowly, because the imputed mean of a censored life follows the
        current estimate.
        """
        kinds = len(self.middles)
        away = ln_life - self.middles[kind]
        squares = away**2 + doubt
        weight = counts * (TAIL + 1.0) / (TAIL + squares / self.spread**2)
        told = np.maximum(1.0 - doubt / self.spread**2, LEAST_TOLD)
        count = np.bincount(kind, weight * told, minlength=kinds)
        total = count * self.middles + np.bincount(kind, weight * away, minlength=kinds)
        counted = np.minimum(1.0, MOST_OF_A_KIND / count)
        of_all = counted @ total + before.lives * before.ln_life
        common = float(of_all / (counted @ count + before.lives))
        middles = (total + self.pull_lives * common) / (count + self.pull_lives)
        squares = weight * ((ln_life - middles[kind]) ** 2 + doubt)
        variance = (squares.sum() + PRIOR_LIVES * USUAL_SPREAD**2) / (counts.sum() + PRIOR_LIVES)
        return _Fit(middles, common, float(np.sqrt(variance)))


def _machine_pace(machines: Sequence[str], told: FloatArray, away: FloatArray) -> dict[str, float]:
    """Lives of each machine against its kind's, geometric mean, drawn to 1 where they are few or young."""
    sums: dict[str, tuple[float, float]] = {}
    for machine, of_life, ln_pace in zip(machines, told.tolist(), away.tolist(), strict=True):
        if machine:
            lives, total = sums.get(machine, (0.0, 0.0))
            sums[machine] = lives + of_life, total + of_life * ln_pace
    return {
        machine: float(np.exp(total / (lives + MACHINE_PULL_LIVES)))
        for machine, (lives, total) in sorted(sums.items())
    }


def _curves(
    whole: Sequence[_TracedLife], counts: FloatArray, running: Sequence[Way]
) -> tuple[FloatArray, float]:
    """
    How likely each curve of the family and, last, the mean curve is; and how closely lives follow theirs.

    running : positions of running lives; their slope says a little about their curve.
    """
    weights, spread = EVEN_CURVES, SHAPE_SPREAD
    slopes = np.array([way.fits[0] for way in running]).reshape(-1, len(EVEN_CURVES))
    strays = np.array([one.strays() for one in whole])
    away, bend, error = strays.reshape(-1, 3, len(SHARES), len(EVEN_CURVES)).swapaxes(0, 1)
    squares = (np.maximum(away**2 - error**2, 0.0) / bend**2).mean(axis=1)
    for _ in range(ROUNDS):
        deviation = np.hypot(spread * bend, error)
        ln_odds = INDEPENDENT * np.mean(-0.5 * (away / deviation) ** 2 - np.log(deviation), axis=1)
        odds = weights * np.exp(ln_odds - ln_odds.max(axis=1, keepdims=True))
        odds /= odds.sum(axis=1, keepdims=True)
        odds *= counts[:, None]
        weights = _shares(odds, slopes, weights)
        total = float(np.sum(odds * squares)) + SHAPE_LIVES * SHAPE_SPREAD**2
        spread = float(np.sqrt(total / (counts.sum() + SHAPE_LIVES)))
    if not whole:
        return weights, spread
    trust = counts.sum() / (counts.sum() + MEAN_CURVE_LIVES)
    return np.append((1.0 - trust) * weights, trust), spread


def _of_kind(curves: Mapping[str | None, MeanCurve], kind: str | None) -> MeanCurve | None:
    return curves.get(kind, curves.get(None))


def _mean_curves(whole: Sequence[_TracedLife], counts: FloatArray) -> dict[str | None, MeanCurve]:
    """
    Mean curve of each kind, drawn to that of all (None): mean over lives, each counting once, of the progress
    at each share of the life. Empty where no life was seen whole.
    """
    if not whole:
        return {}
    rows, mean, variance = np.array([one.progress_at() for one in whole]).swapaxes(0, 1)
    kinds = np.array([one.life.kind for one in whole])
    weight = counts[:, None] * np.minimum(rows, 1.0)
    common = _mean_progress(weight, mean)
    curves: dict[str | None, MeanCurve] = {}
    for kind in [None, *sorted(set(kinds.tolist()))]:
        mine = np.ones(len(whole), dtype=bool) if kind is None else kinds == kind
        lives = float(counts[mine].sum())
        share = lives / (lives + MEAN_CURVE_PULL_LIVES)
        own = common + share * (_mean_progress(weight[mine], mean[mine]) - common)
        shapes = float(len(set(kinds.tolist()))) if kind is None else lives
        curves[kind] = _around(own, weight[mine], mean[mine], variance, lives=lives, shapes=shapes)
    return curves


def _mean_progress(weight: FloatArray, mean: FloatArray) -> FloatArray:
    lives = weight.sum(axis=0)
    passed = lives > 0.0
    progress = np.interp(LIVED, LIVED[passed], (weight * mean).sum(axis=0)[passed] / lives[passed])
    progress[0], progress[-1] = min(progress[0], 0.0), 1.0
    return np.asarray(np.minimum(np.maximum.accumulate(progress), 1.0) + 1e-6 * LIVED)


def _around(
    progress: FloatArray,
    weight: FloatArray,
    mean: FloatArray,
    variance: FloatArray,
    *,
    lives: float,
    shapes: float,
) -> MeanCurve:
    """
    A mean curve with how far one life may be from it, by the lives it is of and their scatter.

    shapes : how many lives, or of a kind not seen how many kinds, show what shapes there are.
    """
    between = (weight * (mean - progress) ** 2).sum(axis=0)
    steep = np.gradient(progress) / np.gradient(LIVED) * LIVED * (1.0 - LIVED)
    before = (MEAN_CURVE_SPREAD * steep) ** 2 / shapes
    apart = (between / lives + before) * (1.0 + 1.0 / shapes)
    spread = np.sqrt(np.sum(apart) / np.maximum(np.sum(steep**2), 1e-9))
    error = np.sqrt(variance.mean(axis=0) + apart)
    return MeanCurve(progress, np.maximum(error, LEAST_PROGRESS_ERROR), float(spread))


def _hats(share: FloatArray) -> FloatArray:
    """Weights of linear interpolation between LIVED, shape (n, LIVED)."""
    nodes = np.arange(len(LIVED))
    return np.asarray(np.maximum(1.0 - np.abs(share[:, None] * (len(LIVED) - 1) - nodes), 0.0))


def _shares(odds: FloatArray, slopes: FloatArray, weights: FloatArray) -> FloatArray:
    """Share of lives that follow each curve, drawn to the even family."""
    by_slope = weights * slopes
    by_slope /= by_slope.sum(axis=1, keepdims=True)
    total = odds.sum(axis=0) + SLOPE_LIVES * by_slope.sum(axis=0) + CURVE_LIVES * EVEN_CURVES
    return np.asarray(total / total.sum())
