"""
How much clean elements of one machine differ, learned from the lives of a fleet.

Strategy: each two lives of a machine that were seen from new, beside each other; a median over the fleet, so
that one element read too low or too high does not set it; a prior that counts as some lives.
Promises: pure; the order of the lives does not matter. Without lives the prior is the answer.
Leaves to others: what the spread decides (`explain`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.measure.ranks import MAD_TO_SPREAD, middle
from cleanside.ingest.restriction.measure.tuning import Tuning


class CleanSpread(NamedTuple):
    """What the lives of a fleet show of it."""

    lives: float  # those that count, less one a machine
    spread: float  # standard deviation of ln(clean level) among elements of one machine

    def with_prior(self, tuning: Tuning) -> float:
        """
        The spread to go by, with the usual one as prior. [ln]

        No wider than the prior: among few lives one that began as torn, or as cleaned, makes it wide.
        """
        prior, prior_lives = tuning.element_spread, tuning.spread_lives
        total = prior_lives * prior**2 + self.lives * min(self.spread, prior) ** 2
        return math.sqrt(total / (prior_lives + self.lives))


def clean_spread_of(lives: Iterable[Life]) -> CleanSpread:
    """Of lives that are labelled with their machine and were seen from new."""
    by_machine: dict[str, list[float]] = {}
    for life in lives:
        if life.machine and life.from_new and (first_pa := life.first_pa) is not None and first_pa > 0:
            by_machine.setdefault(life.machine, []).append(float(np.log(first_pa)))
    apart = [abs(a - b) for levels in by_machine.values() for a, b in itertools.combinations(levels, 2)]
    if not apart:
        return CleanSpread(0.0, 0.0)
    of_two = MAD_TO_SPREAD * middle(np.array(apart))  # the difference of two has twice the variance
    return CleanSpread(float(sum(len(levels) - 1 for levels in by_machine.values())), of_two / math.sqrt(2.0))
