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

from cleanside.ingest.restriction.measure.summary import FloatArray

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
    from_new: bool = False  # it went in while the machine was seen

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
    used_share: float  # of what all sites used, 0 to 1
    hours_share: float  # of the hours of all sites, 0 to 1
    new_elements: int  # that went in while the machine was seen
    hours_an_element: float | None  # None: too little was used
    low: float | None  # of the interval; None: too few machines
    high: float | None


def wear_by_site(elements: Iterable[UsedElement]) -> list[SiteWear]:
    """The sites, those that use elements fastest first; those without a figure last."""
    by_site: defaultdict[str, list[UsedElement]] = defaultdict(list)
    for element in elements:
        if element.hours > 0:
            by_site[element.site].append(element)
    seen = {site: _seen(by_site[site]) for site in sorted(by_site)}
    all_h, all_used = (sum(float(of_site[n].sum()) for of_site in seen.values()) for n in (0, 1))
    found = [_of_site(site, by_site[site], *of_site, all_h, all_used) for site, of_site in seen.items()]
    return sorted(found, key=lambda one: (one.hours_an_element or np.inf, one.site))


def _seen(elements: list[UsedElement]) -> tuple[FloatArray, FloatArray]:
    """Hours and lives used of each machine, by name: sums do not depend on their order then."""
    by_machine: defaultdict[str, list[UsedElement]] = defaultdict(list)
    for element in elements:
        by_machine[element.machine].append(element)
    machines = [by_machine[name] for name in sorted(by_machine)]
    hours = np.array([sum(element.hours for element in of_one) for of_one in machines])
    return hours, np.array([sum(element.lives for element in of_one) for of_one in machines])


def _of_site(
    site: str, elements: list[UsedElement], hours: FloatArray, used: FloatArray, all_h: float, all_used: float
) -> SiteWear:
    """all_h, all_used : hours and lives of all sites."""
    is_enough = float(used.sum()) >= LEAST_ELEMENTS
    low, high = _interval(hours, used) if is_enough else (None, None)
    return SiteWear(
        site=site,
        machines=len(hours),
        hours_seen=float(hours.sum()),
        elements_used=float(used.sum()),
        used_share=float(used.sum()) / all_used if all_used > 0 else 0.0,
        hours_share=float(hours.sum()) / all_h,
        new_elements=sum(element.from_new for element in elements),
        hours_an_element=float(hours.sum() / used.sum()) if is_enough else None,
        low=low,
        high=high,
    )


def _interval(hours: FloatArray, used: FloatArray) -> tuple[float, float] | tuple[None, None]:
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
