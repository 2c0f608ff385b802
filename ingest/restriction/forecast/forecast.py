"""
Operating hours left until terminal restriction, as a distribution.

Promises: uses the past of the life only; scale-free (hours and restriction may come in any unit);
finite and honest without a single life to learn from; learns from complete and censored lives, most from
those of the same machine, then of the same kind, then of all. Strengths are set by leaving lives out of the
lives to learn from. Not free of one set of data: windows, smoothing (`paths`) and features were chosen by
leaving lives out on the open test bench, and averaging over variants was kept after it moved that bench's
test folds; `tests/benchmark/bench_forecast.py` says so beside the figure; other benches: `bench_generality`.
Leaves to others: calendar dates (`duty`) and advice (`assess`).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.blend import (
    NO_BLEND,
    REST,
    Blend,
    Trial,
    around,
    at_progress,
    blend_points,
    learn_weights,
    stretch,
)
from cleanside.ingest.restriction.forecast.kinds import Membership, learn_membership
from cleanside.ingest.restriction.forecast.pace import (
    EARLY_SHARE,
    PLAIN_RIDGE,
    RIDGES,
    PaceModel,
    SeenPaces,
    fit_paces,
)
from cleanside.ingest.restriction.forecast.paths import (
    NUDGE,
    CleanScale,
    Path,
    Rows,
    over_limit,
    terminal_row,
    trace,
)
from cleanside.ingest.restriction.forecast.prior import (
    Z90,
    LikelyKind,
    SeenRows,
    Usual,
    mixture_of_points,
    mixture_quantiles,
    prior_hours_left,
    prior_of,
    seen_rows,
    usual_life,
)
from cleanside.ingest.restriction.forecast.spread import (
    LeftOut,
    Spread,
    fit_spread,
    left_out_lives,
    mean_error,
)
from cleanside.ingest.restriction.forecast.teachers import (
    PRIOR_WEIGHT,
    Lessons,
    checked_life,
    lessons,
    usual_age_h,
    whole_teachers,
)
from cleanside.ingest.restriction.forecast.twins import batches, folds_of, least_batches, place_of
from cleanside.ingest.restriction.forecast.usual import Lengths, learn_lengths, with_kinds
from cleanside.ingest.restriction.measure.summary import FloatArray

OTHER_KIND_WEIGHT = 0.3  # a life of another kind teaches shape, not length (chosen)
CLEAR_PROGRESS = 0.6  # of the span from clean to terminal; see `Learned.tells` (chosen)
DOUBT_KINDS = 6.0  # of a kind not seen the look-up counts k^2/(k^2 + 6^2), k kinds being known (chosen), and
NEW_KIND_WEIGHT = np.array([0.5, 0.1, 0.1])  # in each third of the way at least that (chosen, made sites)
LEAST_TOLD = 2.0  # lives; where no life was seen to its end and no usual life is known (chosen)
FIRST_BLOCK = 16  # rows of the newest block of `blocks_back`: two shifts (chosen)
TRIAL_FOLDS = 6  # chosen: time; each fold fits every variant once more
TRIAL_ROWS = 24  # of each life left out (chosen: rows of one life tell alike)
LEAST_TRIAL_LIVES = 4  # complete lives; with fewer no variant is weighed by trial (chosen: chance decides)
#: variants weigh as error^-12: one with 6 % more error counts half (chosen; that variants are averaged moved
#: the ten folds of the open bench from 6.01 to 5.92 s)
SHARPNESS = 12.0
LEAST_STRANGE = 0.01  # below this outlier probability a life is treated as ordinary (chosen)
LEAST_WEIGHT = 0.1  # variants below that share of the best are left out (chosen: they only cost time)


#: a path, and the share of terminal at each row of it
TracedLife = tuple[Path, FloatArray]
#: how much each way of learning counts: place among the scales, strength of the ridge
Weights = Mapping[tuple[int, float], float]


@dataclass(frozen=True)
class Variant:
    """One way of learning, and how much it counts."""

    model: PaceModel
    scale: CleanScale | None
    weight: float

    @property
    def sees_by(self) -> tuple[CleanScale | None, float, bytes]:
        """Variants that are alike in it see the same in a path."""
        return self.scale, self.model.clean, self.model.grid.tobytes()

    def seen(self, lives: Sequence[TracedLife], rows: Rows) -> SeenPaces:
        """What rows of each life show, one life after the other."""
        scaled = [path if self.scale is None else self.scale.apply(path, share) for path, share in lives]
        return self.model.seen(scaled, rows)


@dataclass(frozen=True)
class Learned:
    """What was learned from lives. Intervals and kinds are judged on the first model's levels."""

    variants: tuple[Variant, ...]
    frame: PaceModel
    spread: Spread
    membership: Membership
    lengths: Lengths
    ended_share: float  # of the lives given
    ended: Mapping[str, float]  # complete lives of each kind, plus the weight of the censored ones
    blend: Blend = NO_BLEND

    def points(self, path: Path, share: FloatArray, kind: str, rows: Rows = slice(None)) -> FloatArray:
        """
        10, 50 and 90 % points at some rows, shape (rows, 3): of the kind, or of the mixture of all kinds
        where it is unknown.
        """
        return self.points_of([(path, share)], kind, rows)

    def points_of(self, lives: Sequence[TracedLife], kind: str, rows: Rows) -> FloatArray:
        """As `points`, at the same rows of each life, one life after the other."""
        kinds = [kind] if kind in self.frame.curves else list(self.frame.curves)
        middle = self._middle(lives, kinds, rows)
        level, hours = (np.concatenate([of[rows] for of in each]) for each in _levels_and_hours(lives))
        offsets = [self.spread.offsets_h(self.frame, level, k) for k in kinds]
        below = np.stack([b for b, _ in offsets], axis=1)
        above = np.stack([a for _, a in offsets], axis=1)
        if len(kinds) == 1:
            points = np.concatenate((middle - below, middle, middle + above), axis=1)
        else:
            weights = self.membership.weights(self.frame, hours, level)
            points = mixture_quantiles(middle, below / Z90, above / Z90, weights)
        return np.asarray(np.maximum(points, 0.0))

    def is_new_kind(self, kind: str) -> bool:
        """Lives of other kinds were learned from, and none of this one."""
        return self.lengths.labelled and bool(kind) and kind not in self.ended

    def lives_behind(self, kind: str) -> float:
        """How many lives the look-up of a kind rests on, 0 for a kind not seen."""
        if self.is_new_kind(kind):
            return 0.0
        labelled = self.lengths.labelled
        own = sum(lives for k, lives in self.ended.items() if k == kind or not kind or not labelled)
        return own + OTHER_KIND_WEIGHT * (sum(self.ended.values()) - own)

    def trust_at(self, level: FloatArray, kind: str) -> FloatArray:
        """Weight of the look-up at a level, 0 to 1, shape (n,)."""
        if self.is_new_kind(kind):  # of kinds that differ it is one more
            kinds = len(self.ended)
            by_phase = np.maximum(NEW_KIND_WEIGHT, kinds**2 / (kinds**2 + DOUBT_KINDS**2))
            return self.tells(level) * at_progress(by_phase, self.progress(level))
        return self.tells(level) * self.blend.trust(self.progress(level), self.lives_behind(kind))

    def strange(self, hours: FloatArray, level: FloatArray, clean: FloatArray, kind: str) -> FloatArray:
        """
        Outlier probability at an age, a level and a clean level: that the life is like none learned from,
        shape (n,).
        """
        return self.membership.strange(self.frame, hours, level, clean, kind)

    def progress(self, level: FloatArray) -> FloatArray:
        """Way from clean to terminal at a level, shape (n,), 0 to 1."""
        return np.asarray(np.clip((level - self.frame.clean) / (1.0 - self.frame.clean), 0.0, 1.0))

    def tells(self, level: FloatArray) -> FloatArray:
        """
        Weight of the look-up by level at a level, 0 to 1, shape (n,).

        For a clean element the look-up is the mean of ended lives; where many lives still run, these are the
        short ones.
        """
        risen = np.clip(self.progress(level) / CLEAR_PROGRESS, 0.0, 1.0)
        return np.asarray(self.ended_share + (1.0 - self.ended_share) * risen)

    @cached_property
    def typical_h(self) -> float:
        """Median over kinds of the typical life. [h]"""
        return float(np.median([curve.typical_h for curve in self.frame.curves.values()]))

    def _middle(self, lives: Sequence[TracedLife], kinds: Sequence[str], rows: Rows) -> FloatArray:
        """Middle forecast of each kind, shape (rows, kinds). [h]"""
        seen: dict[Hashable, SeenPaces] = {}
        for variant in self.variants:
            if variant.sees_by not in seen:
                seen[variant.sees_by] = variant.seen(lives, rows)
        each = [(variant, seen[variant.sees_by]) for variant in self.variants]
        parts = [[v.weight * v.model.hours_left_at(one, kind) for v, one in each] for kind in kinds]
        return np.stack([np.sum(of_kind, axis=0) for of_kind in parts], axis=1)


def _levels_and_hours(lives: Sequence[TracedLife]) -> tuple[list[FloatArray], list[FloatArray]]:
    return [path.level for path, _ in lives], [path.hours for path, _ in lives]


class _Parts(NamedTuple):
    """10, 50 and 90 % points if a life is like those known and if not, shape (n, 3), and how likely not."""

    known: FloatArray
    unlike: FloatArray
    strange: FloatArray
    typical_h: float


@dataclass(frozen=True)
class Forecaster:
    """What was learned from lives (None: nothing); `hours_left` applies it."""

    learned: Learned | None = None
    #: usual life where nothing was learned yet; None = nothing is known [h]
    usual_life_h: float | None = None

    def hours_left(
        self,
        hours: FloatArray,
        restriction_pa: FloatArray,
        *,
        terminal_pa: float,
        kind: str = "",
        machine: str = "",
        last: int | None = None,
        from_new: bool = True,
    ) -> FloatArray:
        """
        The forecast at every row, from that row and earlier rows only.

        from_new : False = the element was in use before the first row; its earlier hours are then estimated
        as the usual age at its first levels, and the first few rows share that estimate.
        hours, restriction_pa : shape (n,), one life so far, in time order. [h], [Pa]
        kind, machine : labels; where unknown, all known kinds count by how well the pace fits.
        last : forecast at so many of the last rows; None = at each.
        Returns shape (last or n, 3): 10, 50 and 90 % points of the operating hours left, >= 0, rising. [h]
        Raises ValueError if the shapes differ or the hours fall.
        """
        hours, share = checked_life(hours, restriction_pa, terminal_pa)
        if len(hours) == 0:
            return np.empty((0, 3))
        path, pace = self._traced(hours, share, kind, machine, from_new=from_new)
        rows = slice(0 if last is None else max(0, len(share) - last), None)
        return _told(self._parts([(path, share)], pace, rows, kind, machine, from_new=from_new))

    def blocks_back(self, life: Life, factor: float, *, last: int) -> Iterator[FloatArray]:
        """
        `hours_left` at so many of the last rows of a life until a limit, times its own: in blocks of rows in
        time order, the newest block first, each as long as those before it together.
        """
        hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa * factor)
        path, pace = self._traced(hours, share, life.kind, life.machine, from_new=life.from_new)
        end, first = len(share), max(0, len(share) - last)
        begin = max(first, end - FIRST_BLOCK)
        while begin < end:
            rows = slice(begin, end)
            parts = self._parts([(path, share)], pace, rows, life.kind, life.machine, from_new=life.from_new)
            yield _told(parts)
            begin, end = max(first, 2 * begin - len(share)), begin

    def at_limits(self, life: Life, factors: Sequence[float]) -> tuple[FloatArray, float]:
        """
        The forecast at the last row until each of several limits, times the life's own, and the outlier
        probability (`Learned.strange`) by the first.

        Returns shape (factors, 3), as `hours_left`; raises as that does. life : of one row or more.
        """
        rows, labels = slice(len(life.hours) - 1, None), (life.kind, life.machine)
        lives: list[TracedLife] = []
        traced: tuple[Path, float] | None = None
        hours, _ = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
        for factor in factors:
            share = life.restriction_pa / (life.terminal_pa * factor)
            if traced is None or not life.from_new:  # the age at first sight goes by the level
                traced, own = self._traced(hours, share, *labels, from_new=life.from_new), factor
            lives.append((over_limit(traced[0], factor / own), share))
        assert traced is not None  # of one factor or more
        parts = self._parts(lives, traced[1], rows, *labels, from_new=life.from_new)
        return _told(parts), float(parts.strange[0])

    def _parts(
        self,
        lives: Sequence[TracedLife],
        pace: float,
        rows: Rows,
        kind: str,
        machine: str,
        *,
        from_new: bool,
    ) -> _Parts:
        """What a forecast is made of at the same rows of each life of a machine, one after the other."""
        each = [seen_rows(path, share, rows, from_new=from_new) for path, share in lives]
        seen = SeenRows(*map(np.concatenate, zip(*each, strict=True)))
        if self.learned is not None:
            usual: Usual | list[LikelyKind] | None = self.learned.lengths.likely(kind, machine)
        else:
            usual = None if self.usual_life_h is None else usual_life(self.usual_life_h)
        alone = prior_of(seen, from_new=from_new, usual=usual)
        if self.learned is not None and self.learned.is_new_kind(kind):
            unsure = self.learned.lengths.width_of_new(machine)
            width = prior_of(seen, from_new=from_new, usual=unsure)
            alone = around(alone[:, 1], width, REST * self.learned.typical_h * pace)
        if self.learned is None:
            return _Parts(alone, alone, np.zeros(len(alone)), 1.0)
        typical_h = self.learned.typical_h * pace
        paced = [(_in_time_scale(path, 1.0 / pace), share) for path, share in lives]
        points = self.learned.points_of(paced, kind, rows) * pace
        age_h = np.concatenate([path.hours[rows] for path, _ in paced])
        strange = self.learned.strange(age_h, seen.level, seen.clean, kind)
        trust = self.learned.trust_at(seen.level, kind)
        blend = NO_BLEND if self.learned.is_new_kind(kind) else self.learned.blend
        ended_share, rest_h = self.learned.ended_share, REST * typical_h
        of_kinds = blend.stretched(
            blend_points(points, alone, trust, rest_h, lives=blend.lives, ended_share=ended_share)
        )
        if np.all(strange < LEAST_STRANGE):
            return _Parts(of_kinds, of_kinds, strange, typical_h)
        wide = self.learned.lengths.of_no_kind(kind, machine)
        unlike = prior_of(seen, from_new=from_new, usual=wide)
        return _Parts(of_kinds, unlike, strange, typical_h)

    def _traced(
        self, hours: FloatArray, share: FloatArray, kind: str, machine: str, *, from_new: bool
    ) -> tuple[Path, float]:
        """The path of a life of one row or more, and the pace of its machine."""
        pace = 1.0 if self.learned is None else self.learned.lengths.machine_pace.get(machine, 1.0)
        unseen_h = 0.0
        if self.learned is not None and not from_new:
            unseen_h = pace * usual_age_h(self.learned.frame, kind, share)
        return trace(hours + unseen_h, share, unseen_h), pace


def fit_forecaster(lives: Sequence[Life], *, usual_life_h: float | None = None) -> Forecaster:
    """
    Learn from lives; an empty list gives the prior alone.

    usual_life_h : usual life where nothing was learned yet, and a weak prior beside the first lives;
    None = nothing is known. [h]

    The order of the lives changes nothing. Lives without any label of kind are grouped by length. Complete
    lives are cut at terminal; the end of a censored life is what its own curve and its kind say (`usual`).
    """
    usable = sorted((life for life in lives if len(life.hours) >= 2 and life.hours[-1] > 0), key=_place)
    if not usable:
        return Forecaster(None, usual_life_h)
    named = with_kinds(usable)
    lengths, left_h = learn_lengths(named, usual_life_h)
    lengths = replace(lengths, labelled=any(life.kind for life in usable))
    if usual_life_h is None and lengths.told < LEAST_TOLD and not any(life.complete for life in usable):
        return Forecaster()  # a lower bound is no length: any value would be a guess
    taught = lessons(named, left_h)
    weights, left_out = _weighed(taught)
    learned = _learned(named, lengths, taught, weights, left_out)
    trials = _trials(usable, learned, weights, usual_life_h)
    if trials:
        blend = stretch(learn_weights(trials), trials, ended_share=learned.ended_share)
        learned = replace(learned, blend=blend)
    return Forecaster(learned, usual_life_h)


def _learned(
    lives: Sequence[Life],
    lengths: Lengths,
    taught: Sequence[Lessons],
    weights: Weights,
    left_out: Sequence[LeftOut],
) -> Learned:
    plain = taught[0]
    variants, frame = _variants(taught, weights)
    return Learned(
        variants,
        frame,
        fit_spread(frame, left_out),
        learn_membership(frame, [*plain.complete, *plain.others]),
        lengths,
        float(np.mean([life.complete for life in lives])),
        _ended(plain),
    )


def _trials(
    lives: Sequence[Life], learned: Learned, weights: Weights, usual_life_h: float | None
) -> list[Trial]:
    """Each complete life, forecast whole from the others without its fold; its twins are in its fold."""
    cases = [i for i, life in enumerate(lives) if life.complete and life.from_new]
    if len(cases) < LEAST_TRIAL_LIVES:
        return []
    named = with_kinds(lives)
    teachers = whole_teachers([named[i] for i in cases])
    places, groups = [place_of(t.path) for t in teachers], [t.group for t in teachers]
    batch = batches(places, groups)
    if len(np.unique(batch)) < 2:
        return []  # no life of another batch
    fold = folds_of(batch, TRIAL_FOLDS)
    counts = least_batches(batch, places, groups) / len(cases)
    trials = []
    for k in range(int(fold.max()) + 1):
        out = {i for i, number in zip(cases, fold.tolist(), strict=True) if number == k}
        kept = [life for i, life in enumerate(lives) if i not in out]
        kinds = {
            life.kind for life in kept
        }  # as given: which of the found ones a life left out is of, is open
        kept = with_kinds(kept)
        lengths, left_h = learn_lengths(kept, usual_life_h)
        lengths = replace(lengths, labelled=any(kinds))
        taught = lessons(kept, left_h)
        other = replace(_learned(kept, lengths, taught, weights, []), spread=learned.spread)
        trials += [_trial(other, lives[i], counts) for i in sorted(out) if lives[i].kind in kinds]
    return trials


def _trial(learned: Learned, life: Life, counts: float) -> Trial:
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    path = trace(hours, share)
    end = terminal_row(hours, path.peak)
    first = int(np.searchsorted(hours, EARLY_SHARE * hours[end] * (1.0 - NUDGE)))
    # Without the last: where nothing is left, no interval that begins above nothing holds.
    rows = np.unique(np.linspace(min(first, end), end, TRIAL_ROWS + 1)[:-1].round().astype(np.int64))
    at = path.level[rows]
    return Trial(
        learned.progress(at),
        learned.points(path, share, life.kind, rows),
        prior_hours_left(path, share, rows, usual=learned.lengths.likely(life.kind)),
        hours[end] - hours[rows],
        learned.tells(at),
        learned.lives_behind(life.kind),
        REST * learned.typical_h,
        counts,
    )


def _place(life: Life) -> tuple[str, float, int, bytes, float, bool, bool, str]:
    """By its kind and length, so that lives alike are dealt into different parts for calibration."""
    figures = life.restriction_pa.tobytes() + life.hours.tobytes()
    ends = life.terminal_pa, life.complete, life.from_new
    return life.kind, float(life.hours[-1]), len(life.hours), figures, *ends, life.machine


def _ended(lesson: Lessons) -> dict[str, float]:
    """
    Number of lives for weighting, twins as one: imputed ends add little, at most as much as complete lives.
    """
    ended: dict[str, float] = {}
    imputed = PRIOR_WEIGHT * sum(teacher.weight for teacher in lesson.others)
    share = (
        PRIOR_WEIGHT * min(1.0, len(lesson.complete) / imputed) if lesson.complete and imputed > 0 else 1.0
    )
    for teacher in lesson.complete:
        ended[teacher.group] = ended.get(teacher.group, 0.0) + teacher.weight
    for teacher in lesson.others:
        ended[teacher.group] = ended.get(teacher.group, 0.0) + share * teacher.weight
    return ended


def _weighed(taught: Sequence[Lessons]) -> tuple[Weights, list[LeftOut]]:
    """
    How much each variant counts, by its error on lives left out; and the left-out errors of their mean.

    With too few lives for that: levels as they are, and the regression as for many lives.
    """
    if len(taught[0].complete) < LEAST_TRIAL_LIVES:
        return {(0, PLAIN_RIDGE): 1.0}, []
    ways = [(scale, ridge) for scale in range(len(taught)) for ridge in RIDGES]
    trials = [t for lesson in taught for t in left_out_lives(lesson.complete, lesson.others, RIDGES)]
    weights = _weights(np.array([mean_error(trial) for trial in trials]))
    return dict(zip(ways, weights.tolist(), strict=True)), _mean_left_out(trials, weights)


def _variants(taught: Sequence[Lessons], weights: Weights) -> tuple[tuple[Variant, ...], PaceModel]:
    """
    Fitted, those that count; levels as they are where there are too few lives for the other scale. And the
    model of levels as they are with the plain ridge, by which intervals and kinds are judged.
    """
    chosen: dict[tuple[int, float], float] = {}
    for (scale, ridge), weight in weights.items():
        if weight > 0:
            way = (min(scale, len(taught) - 1), ridge)
            chosen[way] = chosen.get(way, 0.0) + weight
    frame = 0, PLAIN_RIDGE
    models: dict[tuple[int, float], PaceModel] = {}
    for n, lesson in enumerate(taught):
        ridges = [ridge for scale, ridge in dict.fromkeys([frame, *chosen]) if scale == n]
        fitted = fit_paces([*lesson.complete, *lesson.others], ridges) if ridges else []
        models |= {(n, ridge): model for ridge, model in zip(ridges, fitted, strict=True)}
    variants = (Variant(models[way], taught[way[0]].scale, weight) for way, weight in chosen.items())
    return tuple(variants), models[frame]


def _weights(errors: FloatArray) -> FloatArray:
    weights = (errors.min() / np.maximum(errors, 1e-12)) ** SHARPNESS
    weights[weights < LEAST_WEIGHT] = 0.0
    return np.asarray(weights / weights.sum())


def _mean_left_out(trials: Sequence[Sequence[LeftOut]], weights: FloatArray) -> list[LeftOut]:
    """Errors of the weighted mean forecast, at the levels of the first trial (levels as they are)."""
    return [
        replace(same[0], error=sum(weight * life.error for weight, life in zip(weights, same, strict=True)))
        for same in zip(*trials, strict=True)
    ]


def _in_time_scale(path: Path, factor: float) -> Path:
    """The same life with its hours multiplied by `factor`."""
    if factor == 1.0:
        return path
    return replace(
        path,
        hours=path.hours * factor,
        slope_short=path.slope_short / factor,
        slope_long=path.slope_long / factor,
        unseen_h=path.unseen_h * factor,
    )


def _told(parts: _Parts) -> FloatArray:
    """The forecast at each row, shape (n, 3)."""
    known, unlike, strange, typical_h = parts
    if np.all(strange < LEAST_STRANGE):
        return known
    either = _either(known, unlike, strange, typical_h)
    return np.where(strange[:, None] < LEAST_STRANGE, known, either)


def _either(known: FloatArray, unlike: FloatArray, strange: FloatArray, typical_h: float) -> FloatArray:
    """10, 50 and 90 % points where with probability `strange` the second is true, else the first."""
    rest = REST * typical_h
    logs = np.log(np.stack((known, unlike), axis=1) + rest)
    points = np.exp(mixture_of_points(logs, np.stack((1.0 - strange, strange), axis=1))) - rest
    return np.asarray(np.maximum(points, 0.0))
