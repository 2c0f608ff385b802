"""
Lives made ready to learn from: cut at terminal, labelled, on one scale, ends of censored lives imputed.

Leaves to others: the learning (`pace`) and the forecast (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .kinds import Membership, learn_membership, length_groups
from .lives import Life
from .pace import EARLY_SHARE, PLAIN_RIDGE, PaceModel, Teacher, clean_share, fit_pace, typical_lives
from .paths import CleanScale, trace
from .prior import prior_hours_left
from .summary import FloatArray

CENSORED_WEIGHT = 0.2  # its end is imputed; more made few complete lives worse, on made lives
CLEAN_UNTIL = 0.1  # of the shortest typical life: the clean level of a life is read before that
LEAST_SCALE_LIVES = 4  # complete lives; with fewer the common clean level is not known well enough


@dataclass(frozen=True)
class Lessons:
    """Teachers on one scale. `scale` None: levels are shares of terminal, as they are."""

    complete: list[Teacher]
    others: list[Teacher]
    scale: CleanScale | None


def lessons(lives: Sequence[Life]) -> list[Lessons]:
    """The lives as they are; and, if they are enough, also with their clean levels laid on one another."""
    complete = [life for life in lives if life.complete]
    censored = [life for life in lives if not life.complete]
    plain = _labelled([_complete_teacher(life, None) for life in complete])
    found = [Lessons(plain, _censored_teachers(censored, plain, None), None)]
    if len(plain) >= LEAST_SCALE_LIVES:
        scale = _clean_scale(plain)
        again = [
            replace(_complete_teacher(life, scale), group=teacher.group)
            for life, teacher in zip(complete, plain, strict=True)
        ]
        found.append(Lessons(again, _censored_teachers(censored, again, scale), scale))
    return found


def checked_life(
    hours: FloatArray, restriction_pa: FloatArray, terminal_pa: float
) -> tuple[FloatArray, FloatArray]:
    """Age and share of terminal as float arrays; raises ValueError with value, rule and next step."""
    hours = np.asarray(hours, dtype=np.float64)
    share = np.asarray(restriction_pa, dtype=np.float64) / terminal_pa
    if hours.shape != share.shape:
        raise ValueError(f"{len(hours)} in hours but {len(share)} in share; give one restriction per row")
    if not (np.all(np.isfinite(hours)) and np.all(np.isfinite(share))):
        raise ValueError("hours or restriction hold a value that is not finite; leave such rows out")
    if np.any(np.diff(hours) < 0):
        row = int(np.argmax(np.diff(hours) < 0)) + 1
        raise ValueError(f"row {row}: hours fall from {hours[row - 1]} to {hours[row]}; sort rows by time")
    return hours, share


def _complete_teacher(life: Life, scale: CleanScale | None) -> Teacher:
    """Up to the first row whose smoothed level reaches terminal, or the last row."""
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    end = min(int(np.searchsorted(trace(hours, share).peak, 1.0)), len(hours) - 1)
    path = trace(hours[: end + 1], share[: end + 1])
    if scale is not None:
        path = scale.apply(path, share[: end + 1])
    return Teacher(path, life.kind, path.hours[-1] - path.hours)


def _clean_scale(complete: Sequence[Teacher]) -> CleanScale:
    typical = typical_lives(complete)
    shortest = min(typical.values())
    return CleanScale(clean_share(complete, typical), EARLY_SHARE * shortest, CLEAN_UNTIL * shortest)


def _censored_teachers(
    lives: Sequence[Life], complete: Sequence[Teacher], scale: CleanScale | None
) -> list[Teacher]:
    if not lives:
        return []
    if not complete:
        return [_censored_teacher(life, None, None, scale) for life in lives]
    model = fit_pace(complete, PLAIN_RIDGE)
    membership = learn_membership(model, complete)
    return [_censored_teacher(life, model, membership, scale) for life in lives]


def _censored_teacher(
    life: Life, model: PaceModel | None, membership: Membership | None, scale: CleanScale | None
) -> Teacher:
    """Its end is what the complete lives say (else the prior); its group, if unknown, by pace."""
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    path = trace(hours, share)
    if scale is not None:
        path = scale.apply(path, share)
    group = life.kind
    if model is None or membership is None:
        left = float(prior_hours_left(path, share)[-1, 1])
        return Teacher(path, group, hours[-1] - hours + left, CENSORED_WEIGHT)
    if group not in model.curves:
        odds = membership.weights(model, path.hours[-1:], path.level[-1:])[0]
        group = list(model.curves)[int(np.argmax(odds))]
    left = float(model.hours_left(path, group)[-1])
    return Teacher(path, group, hours[-1] - hours + left, CENSORED_WEIGHT)


def _labelled(teachers: Sequence[Teacher]) -> list[Teacher]:
    """As given if any label is there; else labelled by length."""
    if not teachers or any(teacher.group for teacher in teachers):
        return list(teachers)
    numbers = length_groups(np.array([teacher.path.hours[-1] for teacher in teachers]))
    return [
        replace(teacher, group=f"length {number + 1}")
        for teacher, number in zip(teachers, numbers, strict=True)
    ]
