"""
How many hours elements reach before their limit: Kaplan-Meier curves with intervals, by part number.

A life that is still running, or was ended before the limit, says only that the element would have lasted
longer: it is censored. A life whose beginning was not seen says nothing of hours since new, and is left out.
Promises: pure. With too few lives nothing is drawn: a curve of a handful of lives shows chance.
Leaves to others: which part an element was (the entry that began its life), drawing.
"""

from __future__ import annotations

import warnings
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

#: below so many lives, or so many that reached the limit, no curve is shown (chosen)
LEAST_LIVES, LEAST_REACHED = 8, 3
SURVIVAL_CONFIDENCE = 0.9  # of the interval (chosen: one in twenty on either side)


@dataclass(frozen=True, kw_only=True)
class ReachedLife:
    """One element from new on. hours : operating hours that it was seen. part : "" = not entered."""

    part: str
    hours: float
    reached_limit: bool


@dataclass(frozen=True, kw_only=True)
class SurvivalCurve:
    """Share of elements that last longer than so many hours, with its interval; one entry a step."""

    hours: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class PartLives:
    """What the lives of one part show."""

    part: str
    lives: int
    reached: int
    hours_seen: float
    curve: SurvivalCurve | None  # None: too few lives


def compared(lives: Iterable[ReachedLife]) -> list[PartLives]:
    """The lives by part, most lives first."""
    by_part: defaultdict[str, list[ReachedLife]] = defaultdict(list)
    for life in lives:
        if life.hours > 0:
            by_part[life.part].append(life)
    found = [_of_part(part, of_part) for part, of_part in by_part.items()]
    return sorted(found, key=lambda one: (-one.lives, one.part))


def _of_part(part: str, lives: list[ReachedLife]) -> PartLives:
    reached = [life.hours for life in lives if life.reached_limit]
    censored = [life.hours for life in lives if not life.reached_limit]
    enough = len(lives) >= LEAST_LIVES and len(reached) >= LEAST_REACHED
    return PartLives(
        part=part,
        lives=len(lives),
        reached=len(reached),
        hours_seen=sum(life.hours for life in lives),
        curve=_curve(reached, censored) if enough else None,
    )


def _curve(reached: list[float], censored: list[float]) -> SurvivalCurve:
    """Kaplan and Meier (1958); the interval by the log-log transform, which stays between 0 and 1."""
    from scipy import stats  # only here: it takes half a second to load

    sample: stats.CensoredData = stats.CensoredData(uncensored=reached, right=censored)
    survival = stats.ecdf(sample).sf
    with warnings.catch_warnings():
        # Where all or none survive the transform has no value: there the curve itself says what is known.
        warnings.simplefilter("ignore", RuntimeWarning)
        interval = survival.confidence_interval(SURVIVAL_CONFIDENCE, method="log-log")
    # Of the interval scipy-stubs knows numbers; its ends are functions like the curve.
    low_end: Any = interval.low
    high_end: Any = interval.high
    low = np.nan_to_num(low_end.probabilities, nan=0.0)
    high = np.nan_to_num(high_end.probabilities, nan=1.0)
    return SurvivalCurve(
        hours=tuple(survival.quantiles.tolist()),
        share=tuple(survival.probabilities.tolist()),
        low=tuple(np.minimum(low, survival.probabilities).tolist()),
        high=tuple(np.maximum(high, survival.probabilities).tolist()),
    )
