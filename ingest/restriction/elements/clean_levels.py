"""
What clean elements read, as a share of the limit, learned from the lives of a fleet: by kind, and how sure.

Strategy: a normal model with levels for fleet, kind and machine, solved exactly; how much machines of a kind
differ is learned by moments, with a prior that counts as some machines (empirical Bayes: Morris, J. Am. Stat.
Assoc. 1983). A low level at which nothing loads is that of a missing element, and counts for none.
Promises: pure; the order of the lives does not matter. Without lives the usual share and spread are the
answer. A machine's own lives are left out of what is expected of it: `explain` learns from those itself.
Leaves to others: how much elements of one machine differ (`clean_spread`), and what follows (`explain`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.faulty_levels import is_low
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.measure.held import in_steps
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.tuning import HELD, Tuning

LIKELY = 0.5  # a level counts unless it is more likely than not that of no element (chosen: even odds)
FAR_SPREADS = 2.0  # farther from the middle of the fleet a machine counts as if it were that far (chosen)


class ExpectedClean(NamedTuple):
    """What a clean element is expected to read."""

    share: float  # of the limit
    spread: float  # standard deviation of its logarithm


class CleanLevels:
    """What the lives of a fleet show of clean elements."""

    def __init__(self, lives: Iterable[Life], element_spread: float, tuning: Tuning) -> None:
        """lives : labelled. element_spread : of elements of one machine [ln]."""
        self._tuning = tuning
        shares: dict[tuple[str, str], list[float]] = {}
        for life in lives:
            if life.machine and shows_clean(life, tuning):
                share = (life.first_pa or math.nan) / life.terminal_pa
                shares.setdefault((life.kind, life.machine), []).append(math.log(share))
        levels = {of: middle(np.array(some)) for of, some in sorted(shares.items())}
        bounded = _bounded(levels, FAR_SPREADS * tuning.clean_spread)
        vars_ = {of: element_spread**2 / len(some) for of, some in shares.items()}
        #: variance of machines of one kind
        self._between = _between(bounded, vars_, tuning)
        #: what each machine says of the middle of its kind
        self._machines = {of: _Told.by(bounded[of], self._between + vars_[of]) for of in bounded}
        self._kinds: dict[str, _Told] = {}
        for (kind, _), told in self._machines.items():
            self._kinds[kind] = self._kinds.get(kind, NOTHING).plus(told)
        self._fleet = self._usual()
        for kind_told in self._kinds.values():
            self._fleet = self._fleet.plus(self._of_fleet(kind_told))

    def expected(self, kind: str, machine: str = "") -> ExpectedClean:
        """Of the next clean element of a machine, by all others of the fleet."""
        own = self._kinds.get(kind)
        others = self._fleet if own is None else self._fleet.less(self._of_fleet(own))
        alike = NOTHING if own is None else own.less(self._machines.get((kind, machine), NOTHING))
        told = alike.plus(_Told.by(others.middle, others.var + self._tuning.kinds_apart**2))
        spread = math.sqrt(told.var + self._between)
        return ExpectedClean(
            math.exp(in_steps(told.middle, HELD.clean_step)), in_steps(spread, HELD.clean_step)
        )

    def _usual(self) -> _Told:
        """What is known of any fleet. The usual spread is that of fleets, kinds and machines together."""
        tuning = self._tuning
        of_fleets = tuning.clean_spread**2 - tuning.kinds_apart**2 - tuning.kind_spread**2
        return _Told.by(math.log(tuning.clean_share), max(of_fleets, tuning.kinds_apart**2))

    def _of_fleet(self, kind: _Told) -> _Told:
        """What a kind says of the middle of its fleet."""
        return _Told.by(kind.middle, kind.var + self._tuning.kinds_apart**2)


class _Told(NamedTuple):
    """What so many say of a middle, each weighted by how sure it is. [1 / variance]"""

    many: int
    weight: float
    total: float

    @classmethod
    def by(cls, middle_: float, var: float) -> _Told:
        return cls(1, 1.0 / var, middle_ / var)

    @property
    def middle(self) -> float:
        return self.total / self.weight

    @property
    def var(self) -> float:
        return 1.0 / self.weight

    def plus(self, other: _Told) -> _Told:
        return _Told(self.many + other.many, self.weight + other.weight, self.total + other.total)

    def less(self, other: _Told) -> _Told:
        """Without one of them."""
        if self.many == other.many:
            return NOTHING
        return _Told(self.many - other.many, self.weight - other.weight, self.total - other.total)


NOTHING = _Told(0, 0.0, 0.0)  # arithmetic: the sum of no lives


def shows_clean(life: Life, tuning: Tuning) -> bool:
    """
    The first hours of a life are those of a clean element.

    It was seen from a new element on. A level far below what is usual counts only once it has grown: what is
    left of a torn element, or the duct alone, hardly loads.
    """
    first_pa = life.first_pa
    if not life.from_new or first_pa is None or not first_pa > 0:
        return False
    level = math.log(first_pa / life.terminal_pa)
    low = is_low(level, math.log(tuning.clean_share), tuning.clean_spread**2, 0.0, tuning)
    if low < LIKELY:
        return True
    grew = max(math.log(max(life.late_pa or 0.0, first_pa) / first_pa), 0.0)
    return low * math.exp(-0.5 * (grew / tuning.low_rise) ** 2) < LIKELY


def _bounded(levels: Mapping[tuple[str, str], float], far: float) -> dict[tuple[str, str], float]:
    """A machine whose limit is wrong, or whose element was torn from the start, must not decide."""
    if not levels:
        return {}
    usual = middle(np.array(list(levels.values())))
    return {of: min(max(level, usual - far), usual + far) for of, level in levels.items()}


def _between(
    levels: Mapping[tuple[str, str], float], vars_: Mapping[tuple[str, str], float], tuning: Tuning
) -> float:
    """Variance of the clean level among machines of one kind, with the usual one as prior."""
    kinds: dict[str, list[tuple[str, str]]] = {}
    for of in levels:
        kinds.setdefault(of[0], []).append(of)
    total, free = tuning.kind_machines * tuning.kind_spread**2, tuning.kind_machines
    for some in kinds.values():
        values = np.array([levels[of] for of in some])
        noise = (len(some) - 1) * sum(vars_[of] for of in some) / len(some)
        total += max(float(np.sum((values - values.mean()) ** 2)) - noise, 0.0)
        free += len(some) - 1
    return total / free
