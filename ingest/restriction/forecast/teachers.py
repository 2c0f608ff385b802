"""
Lives made ready to learn from: cut at terminal, labelled, on one scale, ends of censored lives imputed.

Leaves to others: the learning (`pace`) and the forecast (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cleanside.ingest.restriction.elements.lives import USUAL_CLEAN, Life
from cleanside.ingest.restriction.forecast.kinds import Membership, learn_membership
from cleanside.ingest.restriction.forecast.pace import (
    EARLY_SHARE,
    PLAIN_RIDGE,
    PaceModel,
    Teacher,
    clean_share,
    fit_pace,
    hat_basis,
    typical_lives,
)
from cleanside.ingest.restriction.forecast.paths import CleanScale, Path, terminal_row, trace
from cleanside.ingest.restriction.forecast.twins import batches, counts_of, place_of
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

#: of the shortest typical life: the clean level of a life is read before that (chosen: it hardly loaded yet)
CLEAN_UNTIL = 0.1
PRIOR_WEIGHT = 0.2  # of a life whose end comes from the prior alone (chosen)
USUAL_CURVATURE = 3.0  # chosen: the middle of the prior's curves
#: their median is the level at which an element in use was first seen (chosen: two odd rows move it little)
FIRST_ROWS = 5
MOST_AT_FIRST = 0.9  # of the way to terminal, for an element in use when first seen (chosen: some is left)
LEAST_SCALE_LIVES = 4  # complete lives (chosen: with fewer the common clean level is not known well enough)


@dataclass(frozen=True)
class Lessons:
    """Lives to learn from, on one scale. `scale` None: levels are shares of terminal, as they are."""

    complete: list[Teacher]
    others: list[Teacher]
    scale: CleanScale | None


def lessons(lives: Sequence[Life], left_h: Sequence[float]) -> list[Lessons]:
    """The lives as they are; and, if there are enough, also scaled to a common clean level."""
    complete = [life for life in lives if life.complete and life.from_new]
    late = [life for life in lives if life.complete and not life.from_new]
    if not complete:  # no life was seen whole: then those whose end was seen, with estimated ages
        complete, late = [_with_guessed_age(life) for life in late], []
    censored = [(life, left) for life, left in zip(lives, left_h, strict=True) if not life.complete]
    plain = whole_teachers(complete)
    if late:
        model = fit_pace(plain, PLAIN_RIDGE)
        membership = learn_membership(model, plain)
        plain += [_grouped(_complete_teacher(life, model), model, membership) for life in late]
        complete += late
    others = _censored_teachers(censored, plain)
    scales = [Lessons(plain, others, None)]
    if len(plain) >= LEAST_SCALE_LIVES:
        scale = _clean_scale(plain)
        again = [_on_scale(*pair, scale) for pair in zip(plain, complete, strict=True)]
        scaled = [_on_scale(mine, life, scale) for mine, (life, _) in zip(others, censored, strict=True)]
        scales.append(Lessons(again, scaled, scale))
    return scales


def whole_teachers(lives: Sequence[Life]) -> list[Teacher]:
    """Complete lives seen from new, as they are; twins count as one."""
    teachers = [_complete_teacher(life) for life in lives]
    places = [place_of(teacher.path) for teacher in teachers]
    counts = counts_of(batches(places, [teacher.group for teacher in teachers]))
    return [replace(teacher, weight=count) for teacher, count in zip(teachers, counts.tolist(), strict=True)]


def _on_scale(teacher: Teacher, life: Life, scale: CleanScale) -> Teacher:
    """
    The same life with its levels on the common scale.

    Age, group, weight and rows stay the same: both scales are judged on the same rows of the same lives.
    """
    _, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    return replace(teacher, path=scale.apply(teacher.path, share[: len(teacher.path.hours)]))


def checked_life(
    hours: FloatArray, restriction_pa: FloatArray, terminal_pa: float
) -> tuple[FloatArray, FloatArray]:
    """Age and share of terminal as float arrays; raises ValueError with value, rule and next step."""
    hours = np.asarray(hours, dtype=np.float64)
    share = np.asarray(restriction_pa, dtype=np.float64) / terminal_pa
    if hours.shape != share.shape:
        raise WrongInput("share_length_differs", hours=len(hours), share=len(share))
    if not (np.all(np.isfinite(hours)) and np.all(np.isfinite(share))):
        raise WrongInput("life_not_finite")
    if np.any(np.diff(hours) < 0):
        row = int(np.argmax(np.diff(hours) < 0)) + 1
        raise WrongInput("hours_fall", row=row, before=hours[row - 1], hours=hours[row])
    return hours, share


def usual_age_h(model: PaceModel, group: str, share: FloatArray) -> float:
    """
    Likely earlier hours of an element that was in use before its first row: the usual age at its first
    levels.

    group : one of the model's; else all groups count, by their number of lives. share : of terminal, shape
    (n,). [h]
    """
    basis = hat_basis(model.grid, np.atleast_1d(np.median(share[:FIRST_ROWS])))
    curves = [model.curves[group]] if group in model.curves else list(model.curves.values())
    ages = [float((basis @ curve.age_h)[0]) for curve in curves]
    return max(0.0, float(np.average(ages, weights=[curve.lives for curve in curves])))


def _complete_teacher(life: Life, model: PaceModel | None = None) -> Teacher:
    """
    Up to the row at which its level reaches terminal, or the last row.

    model : gives the age of an element that was in use when first seen; None = its hours are its age.
    """
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    unseen_h = 0.0 if model is None or life.from_new else usual_age_h(model, life.kind, share)
    hours = hours + unseen_h
    end = terminal_row(hours, trace(hours, share).peak)
    path = trace(hours[: end + 1], share[: end + 1], unseen_h)
    return Teacher(path, life.kind, path.hours[-1] - path.hours)


def _with_guessed_age(life: Life) -> Life:
    """As if seen from new: the earlier hours by a usual curve through its first level and its end. [h]"""
    share = life.restriction_pa / life.terminal_pa
    seen = (np.median(share[:FIRST_ROWS]) - USUAL_CLEAN) / (1.0 - USUAL_CLEAN)
    first = float(np.clip(seen, 0.0, MOST_AT_FIRST))
    used = float(np.log1p(first * np.expm1(USUAL_CURVATURE)) / USUAL_CURVATURE)
    return replace(life, hours=life.hours + life.hours[-1] * used / (1.0 - used), from_new=True)


def _clean_scale(complete: Sequence[Teacher]) -> CleanScale:
    typical = typical_lives(complete)
    shortest = min(typical.values())
    return CleanScale(clean_share(complete, typical), EARLY_SHARE * shortest, CLEAN_UNTIL * shortest)


def _censored_teachers(lives: Sequence[tuple[Life, float]], complete: Sequence[Teacher]) -> list[Teacher]:
    if not lives:
        return []
    if not complete:
        return [_censored_teacher(life, left, None, None) for life, left in lives]
    model = fit_pace(complete, PLAIN_RIDGE)
    membership = learn_membership(model, complete)
    return [_censored_teacher(life, left, model, membership) for life, left in lives]


def _censored_teacher(
    life: Life, left: float, model: PaceModel | None, membership: Membership | None
) -> Teacher:
    """Its end is imputed from its kind and its own curve; its group, if unknown, by pace."""
    hours, share = checked_life(life.hours, life.restriction_pa, life.terminal_pa)
    unseen_h = 0.0 if model is None or life.from_new else usual_age_h(model, life.kind, share)
    hours = hours + unseen_h
    path = trace(hours, share, unseen_h)
    group = life.kind
    if model is None or membership is None:
        return Teacher(path, group, hours[-1] - hours + left, PRIOR_WEIGHT)
    if not group:
        group = _likely_group(path, model, membership)
    return Teacher(path, group, hours[-1] - hours + left, _seen_share(hours, left))


def _grouped(teacher: Teacher, model: PaceModel, membership: Membership) -> Teacher:
    """With the group that its pace fits best, where it has no label."""
    if teacher.group:
        return teacher
    return replace(teacher, group=_likely_group(teacher.path, model, membership))


def _likely_group(path: Path, model: PaceModel, membership: Membership) -> str:
    odds = membership.weights(model, path.hours[-1:], path.level[-1:])[0]
    return list(model.curves)[int(np.argmax(odds))]


def _seen_share(hours: FloatArray, left_h: float) -> float:
    """The share of a life that was seen. It counts so much, because its imputed end adds no information."""
    return float(hours[-1] / max(hours[-1] + left_h, 1e-12))
