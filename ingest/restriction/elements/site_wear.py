"""
How fast elements load at a site: operating hours for the whole way from clean to the limit.

What part of its life an element has behind it is the square root of the share of the way: a rise from 0 with
the square of time, as for the fuel it costs. So an element that is young, or was changed early, counts with
what it used, and one that was in use when first seen with what was seen of it.
Promises: pure. The interval is over machines, each of which may meet its own dust; with few there is none.
Source of the interval: the delete-one jackknife of the logarithm of a ratio (Efron and Tibshirani, An
Introduction to the Bootstrap, 1993, chapter 11), with Student's distribution.
Leaves to others: levels and lives (`lives`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

LEAST_MACHINES = 4  # of a site, for an interval (chosen: of three one decides)
LEAST_ELEMENTS = 2.0  # worth of use, for a figure (chosen: below, the convex start of a life decides)
WEAR_CONFIDENCE = 0.9  # of the interval (chosen: one in twenty on either side)


@dataclass(frozen=True, kw_only=True)
class UsedElement:
    """What was seen of one element. hours : of operation. begin, end : share of the way, 0 clean, 1 limit."""

    site: str
    machine: str
    hours: float
    begin: float
    end: float

    @property
    def lives(self) -> float:
        """How much of a life was used, 0 to about 1."""
        return max(0.0, float(np.sqrt(max(0.0, self.end)) - np.sqrt(max(0.0, self.begin))))


@dataclass(frozen=True, kw_only=True)
class SiteWear:
    """What the elements of a site show."""

    site: str
    machines: int
    hours_seen: float
    elements_used: float  # worth of use
    hours_an_element: float | None  # None: too little was used
    low: float | None  # of the interval; None: too few machines
    high: float | None


def wear_by_site(elements: Iterable[UsedElement]) -> list[SiteWear]:
    """The sites, those that use elements fastest first; those without a figure last."""
    by_site: defaultdict[str, list[UsedElement]] = defaultdict(list)
    for element in elements:
        if element.hours > 0:
            by_site[element.site].append(element)
    found = [_of_site(site, of_site) for site, of_site in by_site.items()]
    return sorted(found, key=lambda one: (one.hours_an_element or np.inf, one.site))


def _of_site(site: str, elements: list[UsedElement]) -> SiteWear:
    by_machine: defaultdict[str, list[UsedElement]] = defaultdict(list)
    for element in elements:
        by_machine[element.machine].append(element)
    machines = [by_machine[name] for name in sorted(by_machine)]  # sums do not depend on their order then
    hours = np.array([sum(element.hours for element in of_one) for of_one in machines])
    used = np.array([sum(element.lives for element in of_one) for of_one in machines])
    is_enough = float(used.sum()) >= LEAST_ELEMENTS
    low, high = _interval(hours, used) if is_enough else (None, None)
    return SiteWear(
        site=site,
        machines=len(machines),
        hours_seen=float(hours.sum()),
        elements_used=float(used.sum()),
        hours_an_element=float(hours.sum() / used.sum()) if is_enough else None,
        low=low,
        high=high,
    )


def _interval(hours: np.ndarray, used: np.ndarray) -> tuple[float, float] | tuple[None, None]:
    """Of hours over use, each machine left out in turn."""
    from scipy import stats  # only here: it takes half a second to load

    many, left = len(hours), used.sum() - used
    if many < LEAST_MACHINES or (left <= 0).any():
        return None, None
    logs = np.log((hours.sum() - hours) / left)
    spread = np.sqrt((many - 1) / many * ((logs - logs.mean()) ** 2).sum())
    wide = float(stats.t.ppf(0.5 + WEAR_CONFIDENCE / 2, many - 1) * spread)
    middle = float(np.log(hours.sum() / used.sum()))
    return float(np.exp(middle - wide)), float(np.exp(middle + wide))
