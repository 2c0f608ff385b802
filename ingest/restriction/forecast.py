"""
Operating hours left until terminal restriction, as a distribution.

Promises: uses the past of the life only; scale-free (hours and restriction may come in any unit);
finite and honest without a single life to learn from; learns from complete and censored lives, most from
those of the same machine, then of the same kind, then of all.
Leaves to others: calendar dates (`duty`) and advice (`assess`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .kinds import Membership, learn_membership, length_groups
from .lives import Life
from .pace import PaceModel, Teacher, fit_pace
from .paths import Path, trace
from .prior import mixture_quantiles, prior_hours_left
from .spread import Spread, fit_spread
from .summary import FloatArray

CENSORED_WEIGHT = 0.5  # its end is imputed
OTHER_KIND_WEIGHT = 0.3  # a life of another kind teaches shape, not length
MACHINE_PULL_LIVES = 2.0  # a machine's own pace counts n/(n + 2)
DOUBT_LIVES = 2.0  # learned against prior: n^2/(n^2 + 2^2), so two lives are believed half
Z90 = 1.2815515655446004  # 90 % point of the standard normal distribution


@dataclass(frozen=True)
class Forecaster:
    """What was learned from lives; `hours_left` applies it. `model` is None where there were none."""

    model: PaceModel | None
    spread: Spread | None
    membership: Membership | None
    machine_pace: Mapping[str, float]  # length of this machine's lives against its kind's

    def hours_left(
        self,
        hours: FloatArray,
        restriction_pa: FloatArray,
        *,
        terminal_pa: float,
        kind: str = "",
        machine: str = "",
    ) -> FloatArray:
        """
        The forecast at every row, made with that row and those before it only.

        hours, restriction_pa : shape (n,), one life so far, in time order. [h], [Pa]
        kind, machine : labels; unknown ones are weighed by pace among all that is known.
        Returns shape (n, 3): 10, 50 and 90 % points of the operating hours left, >= 0, rising. [h]
        Raises ValueError if the shapes differ or the hours fall.
        """
        hours, share = checked_life(hours, restriction_pa, terminal_pa)
        if len(hours) == 0:
            return np.empty((0, 3))
        path = trace(hours, share)
        alone = prior_hours_left(path, share)
        if self.model is None or self.spread is None or self.membership is None:
            return alone
        pace = self.machine_pace.get(machine, 1.0)
        learned = self._learned(_in_time_scale(path, 1.0 / pace), kind) * pace
        return _blended(learned, alone, self._trust(kind), self._typical_h() * pace)

    def _learned(self, path: Path, kind: str) -> FloatArray:
        """Points from the kind's curve, or from the mixture of all kinds where the kind is unknown."""
        assert self.model is not None
        assert self.spread is not None
        assert self.membership is not None
        kinds = [kind] if kind in self.model.curves else list(self.model.curves)
        middle = np.stack([self.model.hours_left(path, k) for k in kinds], axis=1)
        offsets = [self.spread.offsets_h(self.model, path.level, k) for k in kinds]
        below = np.stack([b for b, _ in offsets], axis=1)
        above = np.stack([a for _, a in offsets], axis=1)
        if len(kinds) == 1:
            points = np.concatenate((middle - below, middle, middle + above), axis=1)
        else:
            weights = self.membership.weights(self.model, path.hours, path.level)
            points = mixture_quantiles(middle, below / Z90, above / Z90, weights)
        return np.asarray(np.maximum(points, 0.0))

    def _trust(self, kind: str) -> float:
        assert self.model is not None
        own = sum(
            curve.lives
            for k, curve in self.model.curves.items()
            if k == kind or kind not in self.model.curves
        )
        others = sum(curve.lives for curve in self.model.curves.values()) - own
        lives = own + OTHER_KIND_WEIGHT * others
        return lives**2 / (lives**2 + DOUBT_LIVES**2)

    def _typical_h(self) -> float:
        assert self.model is not None
        return float(np.median([curve.typical_h for curve in self.model.curves.values()]))


def fit_forecaster(lives: Sequence[Life]) -> Forecaster:
    """
    Learn from lives; an empty list gives the prior alone.

    Lives without any label of kind are grouped by length. Complete lives are cut at terminal; the end of a
    censored life is imputed by a first fit to the complete ones (by the prior if there are none).
    """
    usable = [life for life in lives if len(life.hours) >= 2 and life.hours[-1] > 0]
    if not usable:
        return Forecaster(None, None, None, {})
    complete = _labelled([_complete_teacher(life) for life in usable if life.complete])
    censored = [life for life in usable if not life.complete]
    first = fit_pace(complete) if complete else None
    others = [
        _censored_teacher(life, first, learn_membership(first, complete) if first else None)
        for life in censored
    ]
    model = fit_pace([*complete, *others])
    return Forecaster(
        model,
        fit_spread(model, complete, others),
        learn_membership(model, [*complete, *others]),
        _machine_pace(usable, model),
    )


def checked_life(
    hours: FloatArray, restriction_pa: FloatArray, terminal_pa: float
) -> tuple[FloatArray, FloatArray]:
    """Age and share of terminal as float arrays; raises ValueError with value, rule and next step."""
    hours = np.asarray(hours, dtype=np.float64)
    share = np.asarray(restriction_pa, dtype=np.float64) / terminal_pa
    if hours.shape != share.shape:
        raise ValueError(f"{len(hours)} hours but {len(share)} restrictions; give one restriction per row")
    if not (np.all(np.isfinite(hours)) and np.all(np.isfinite(share))):
        raise ValueError("hours or restriction hold a value that is not finite; leave such rows out")
    if np.any(np.diff(hours) < 0):
        row = int(np.argmax(np.diff(hours) < 0)) + 1
        raise ValueError(f"row {row}: hours fall from {hours[row - 1]} to {hours[row]}; sort rows by time")
    return hours, share


def _complete_teacher(life: Life) -> Teacher:
    """Up to the first row whose smoothed level reaches terminal, or the last row."""
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    path = trace(hours, share)
    end = min(int(np.searchsorted(path.peak, 1.0)), len(hours) - 1)
    path = trace(hours[: end + 1], share[: end + 1])
    return Teacher(path, life.kind, path.hours[-1] - path.hours)


def _censored_teacher(life: Life, model: PaceModel | None, membership: Membership | None) -> Teacher:
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    path = trace(hours, share)
    group = life.kind
    if model is None or membership is None:
        left = float(prior_hours_left(path, share)[-1, 1])
    elif group in model.curves:
        left = float(model.hours_left(path, group)[-1])
    else:
        names = list(model.curves)
        group = names[int(np.argmax(membership.weights(model, path.hours[-1:], path.level[-1:])[0]))]
        left = float(model.hours_left(path, group)[-1])
    return Teacher(path, group, hours[-1] - hours + left, CENSORED_WEIGHT)


def _labelled(teachers: Sequence[Teacher]) -> list[Teacher]:
    """As given if any label is there; else labelled by length."""
    if not teachers or any(teacher.group for teacher in teachers):
        return list(teachers)
    numbers = length_groups(np.array([teacher.path.hours[-1] for teacher in teachers]))
    return [
        Teacher(teacher.path, f"length {number + 1}", teacher.hours_left, teacher.weight)
        for teacher, number in zip(teachers, numbers, strict=True)
    ]


def _machine_pace(lives: Sequence[Life], model: PaceModel) -> dict[str, float]:
    """A machine's complete lives over its kind's typical life, geometric mean, pulled to 1 where few."""
    logs: dict[str, list[float]] = {}
    for life in lives:
        if life.complete and life.machine and life.kind in model.curves:
            ratio = life.hours[-1] / model.curves[life.kind].typical_h
            logs.setdefault(life.machine, []).append(float(np.log(ratio)))
    return {
        machine: float(np.exp(np.sum(values) / (len(values) + MACHINE_PULL_LIVES)))
        for machine, values in sorted(logs.items())
    }


def _in_time_scale(path: Path, factor: float) -> Path:
    """The same life lived `factor` times as long."""
    if factor == 1.0:
        return path
    return Path(
        path.hours * factor,
        path.level,
        path.peak,
        path.slope_short / factor,
        path.slope_long / factor,
        path.line_long,
    )


def _blended(learned: FloatArray, alone: FloatArray, trust: float, typical_h: float) -> FloatArray:
    """Geometric blend, kept finite near zero by a hundredth of a typical life; the points stay in order."""
    rest = 0.01 * typical_h
    logs = trust * np.log(learned + rest) + (1.0 - trust) * np.log(alone + rest)
    return np.asarray(np.sort(np.maximum(np.exp(logs) - rest, 0.0), axis=1))
