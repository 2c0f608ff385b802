"""
Element lives: from one change of the element to the next, counted in operating hours.

Promises: a person's entry has the last word; hours are operating hours, never calendar time.
Leaves to others: finding changes nobody entered, and what a life says about hours left (`forecast`).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .reference import HourlyRestriction
from .summary import HOUR_S, FloatArray

CLEAN_HOURS = 20  # the clean level is read from the first 20 operating hours of a life (chosen)


@dataclass(frozen=True, kw_only=True)
class Life:
    """
    One element, in time order.

    hours : operating hours since the element was new, shape (n,), not falling. [h]
    restriction_pa : at the reference flow, same shape. [Pa]
    terminal_pa : the limit that held. [Pa]
    complete : the last row is at or above terminal; else the life is censored or still open.
    machine, kind : labels, "" = unknown; lives of the same label are believed more.
    """

    hours: FloatArray
    restriction_pa: FloatArray
    terminal_pa: float
    complete: bool
    machine: str = ""
    kind: str = ""

    def __post_init__(self) -> None:
        if len(self.hours) != len(self.restriction_pa):
            raise ValueError(f"{len(self.hours)} hours but {len(self.restriction_pa)} restrictions; one each")
        if not self.terminal_pa > 0:
            raise ValueError(f"terminal_pa is {self.terminal_pa}; it must be above 0, see the engine maker")


def split_lives(
    series: HourlyRestriction,
    *,
    changes_s: Sequence[float],
    terminal_pa: float,
    machine: str = "",
    kind: str = "",
) -> list[Life]:
    """
    Cut a series at the changes. The last life is the running one; empty ones are left out but for it.

    changes_s : instants of element changes, seconds since 1970-01-01 UTC, any order.
    """
    hour_h = operating_hours(series)
    edges = np.searchsorted(series.hour_s, np.sort(np.asarray(changes_s, dtype=np.float64)))
    bounds = [0, *edges.tolist(), len(series.hour_s)]
    lives = []
    for first, last in itertools.pairwise(bounds):
        if first == last and last != len(series.hour_s):
            continue
        level = series.restriction_pa[first:last]
        lives.append(
            Life(
                hours=np.cumsum(hour_h[first:last]),
                restriction_pa=level,
                terminal_pa=terminal_pa,
                complete=bool(len(level) and np.median(level[-3:]) >= terminal_pa),
                machine=machine,
                kind=kind,
            )
        )
    return lives


def operating_hours(series: HourlyRestriction) -> FloatArray:
    """
    Operating hours of each row, shape (n,). [h]

    Where nearly every row comes from a single reading (an hourly series) its time cannot be told from the
    reading; each row then counts as one hour.
    """
    if len(series.operating_s) and np.mean(series.operating_s <= 0) > 0.5:
        return np.ones(len(series.operating_s))
    return np.maximum(series.operating_s, 0.0) / HOUR_S


def clean_level_pa(life: Life) -> float | None:
    """Median of the first operating hours of a life; None before there is one. [Pa]"""
    if len(life.hours) == 0:
        return None
    early = life.restriction_pa[life.hours <= life.hours[0] + CLEAN_HOURS]
    return float(np.median(early))
