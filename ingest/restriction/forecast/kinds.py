"""
Which group a life without a label belongs to, or that it is like none: by its pace, as probabilities.

Lives of one fleet may differ fourfold in length (dusty or clean work). A running life without a label is
weighed by its age at each level.
Promises: weights never reach zero. Leaves to others: which kinds there are (`modes`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaln

from cleanside.ingest.restriction.forecast.pace import NODES, GroupCurve, PaceModel, Teacher, hat_basis
from cleanside.ingest.restriction.measure.summary import FloatArray

KIND_SPREAD = 1.1  # of ln(life): dust, and with it life, differs threefold from work to work (chosen)
LEAST_AGE_SPREAD = 0.05  # of ln(age) at a level (chosen: lives as alike as on a stand are no outliers)
LEAST_AGE = 1e-9  # of a typical life (chosen: an age of nothing has no logarithm)
LEAST_WEIGHT = 1e-6  # of the likeliest kind (chosen: none is ruled out)

STRANGE_SHARE = 0.05  # of lives are of no kind learned from (chosen)
#: of ln(age) before any life is known, and as how many lives it counts (chosen: as USUAL_SPREAD; half of one)
BEFORE_SPREAD, BEFORE_LIVES = 0.5, 0.5
SHOWS_FROM, SHOWS_FULLY = 0.03, 0.1  # of the way to terminal; less may be noise or damp (tuning benches)


@dataclass(frozen=True)
class Membership:
    """Spread of ln(age) around a group's usual age at each level, shape (NODES,), and the group's share."""

    spread: Mapping[str, FloatArray]
    share: Mapping[str, float]

    def weights(self, model: PaceModel, hours: FloatArray, level: FloatArray) -> FloatArray:
        """Probability of each group of the model (in its order) at each row, shape (n, groups)."""
        basis = hat_basis(model.grid, level)
        logs = []
        for group, curve in model.curves.items():
            spread = basis @ self.spread[group]
            away = _ln_against(curve, basis, hours) / spread
            logs.append(np.log(self.share[group]) - np.log(spread) - 0.5 * away**2)
        stacked = np.stack(logs, axis=1)
        odds = np.exp(stacked - stacked.max(axis=1, keepdims=True)) + LEAST_WEIGHT
        return np.asarray(odds / odds.sum(axis=1, keepdims=True))

    def strange(
        self, model: PaceModel, hours: FloatArray, level: FloatArray, clean: FloatArray, kind: str
    ) -> FloatArray:
        """
        Probability that a life is like none learned from, by its age at each level, shape (n,).

        hours : its age, shape (n,). [h] level, clean : its level, and what it read as clean, as far as that
        is known there, shape (n,). [share of terminal]
        kind : its label; where no life of that kind was learned from, it is compared with all kinds.
        """
        basis = hat_basis(model.grid, level)
        kinds = [kind] if kind in model.curves else list(model.curves)
        like, unlike, late = np.zeros(len(level)), np.zeros(len(level)), np.ones(len(level), dtype=np.bool_)
        for group in kinds:
            curve = model.curves[group]
            lives = curve.lives + BEFORE_LIVES
            square = curve.lives * (basis @ self.spread[group]) ** 2 + BEFORE_LIVES * BEFORE_SPREAD**2
            spread = np.sqrt(square / lives)
            away = _ln_against(curve, basis, hours)
            like += self.share[group] * student_density(away, spread, curve.lives + 1.0)
            unlike += self.share[group] * normal_density(away, np.hypot(spread, KIND_SPREAD))
            late &= away > 0
        odds = STRANGE_SHARE * unlike / np.maximum((1.0 - STRANGE_SHARE) * like, 1e-300)
        # An element that begins above the others has not loaded faster for that.
        least = np.maximum(clean, model.clean)
        progress = (level - least) / (1.0 - least)
        shows = np.clip((progress - SHOWS_FROM) / (SHOWS_FULLY - SHOWS_FROM), 0.0, 1.0)
        # However early it is, an element that stays clean for longer than any other is an outlier.
        return np.asarray(odds / (1.0 + odds) * np.where(late, 1.0, shows))


def _ln_against(curve: GroupCurve, basis: FloatArray, hours: FloatArray) -> FloatArray:
    """ln of an age against the group's usual one at the same level, shape (n,)."""
    least_h = LEAST_AGE * curve.typical_h
    usual_h = np.maximum(basis @ curve.age_h, least_h)
    return np.asarray(np.log(np.maximum(hours, least_h) / usual_h))


def student_density(away: FloatArray, spread: FloatArray, freedom: float) -> FloatArray:
    """Of Student's distribution of that scale around 0, shape (n,); `freedom` degrees of it, > 0."""
    square = (away / spread) ** 2
    ln_height = -0.5 * np.log(freedom) - betaln(0.5, 0.5 * freedom)
    return np.asarray(np.exp(ln_height - 0.5 * (freedom + 1.0) * np.log1p(square / freedom)) / spread)


def normal_density(away: FloatArray, spread: FloatArray) -> FloatArray:
    """Of the normal distribution of that spread around 0, shape (n,)."""
    return np.asarray(np.exp(-0.5 * (away / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi)))


def learn_membership(model: PaceModel, teachers: Sequence[Teacher]) -> Membership:
    """Spread of ln(age) at each level over the lives of each group."""
    spread, share = {}, {}
    for group, curve in model.curves.items():
        square, mass, lives = np.zeros(NODES), np.zeros(NODES), 0.0
        for teacher in teachers:
            if teacher.group != group:
                continue
            basis = hat_basis(model.grid, teacher.path.level)
            away = _ln_against(curve, basis, teacher.path.hours)
            each = basis.sum(axis=0)
            use = np.minimum(each, 1.0) / np.maximum(each, 1e-9)
            square += (basis * use).T @ np.minimum(away**2, 1.0)
            mass += basis.sum(axis=0) * use
            lives += teacher.weight
        spread[group] = np.sqrt(square / np.maximum(mass, 1e-9)) + LEAST_AGE_SPREAD
        share[group] = lives
    total = sum(share.values())
    return Membership(spread, {group: lives / total for group, lives in share.items()})
