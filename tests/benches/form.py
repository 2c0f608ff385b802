"""
The one form of a made bench: named lives with groups, made from a seed, to learn from and to be judged on.

A bench from another pen is one more function of this form in a file of its own. Generators know nothing of
the forecast. Levels are in any unit; only their ratio to `terminal` counts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.evaluation.life_files import LifeFile
from cleanside.ingest.restriction.elements.lives import Life

Array = np.ndarray[tuple[int], np.dtype[np.float64]]


@dataclass(frozen=True, kw_only=True)
class MadeLife:
    """One life in time order; shapes (n,). It ends at its last row: at terminal, or before (censored)."""

    name: str
    hours: Array
    restriction: Array
    terminal: float
    group: str = ""  # "" = none is known
    end_h: float | None = None  # where it is at terminal without the noise; None: at its last row

    @property
    def complete(self) -> bool:
        return bool(self.restriction[-1] >= self.terminal)

    @property
    def hours_left(self) -> Array:
        """The truth for each row of a whole life."""
        return np.asarray((self.hours[-1] if self.end_h is None else self.end_h) - self.hours)


#: lives to learn from and lives to be judged on (whole ones), from a generator of random numbers and the
#: number of lives to learn from
Bench = Callable[[np.random.Generator, int], tuple[Sequence[MadeLife], Sequence[MadeLife]]]


def as_files(lives: Sequence[MadeLife]) -> list[LifeFile]:
    """As `backtest` reads them, with the truth where noise hides the end."""
    return [
        LifeFile(life.name, as_life(life), None if life.end_h is None else life.hours_left) for life in lives
    ]


def as_life(life: MadeLife) -> Life:
    return Life(
        hours=life.hours,
        restriction_pa=life.restriction,
        terminal_pa=life.terminal,
        complete=life.complete,
        kind=life.group,
    )


def ended(
    name: str, hours: Array, level: Array, terminal: float, *, group: str = "", seen: float = 1.0
) -> MadeLife:
    """A life up to its first row at terminal, or up to a share of that; at least three rows."""
    reached = np.flatnonzero(level >= terminal)
    end = int(reached[0]) + 1 if len(reached) else len(level)
    if seen < 1.0:
        end = max(3, int(seen * (end - 1)))
    return MadeLife(name=name, hours=hours[:end], restriction=level[:end], terminal=terminal, group=group)


def until_the_limit(
    name: str,
    hours: Array,
    shown: Array,
    level: Array,
    terminal: float,
    *,
    group: str = "",
    seen: float = 1.0,
) -> MadeLife:
    """
    A life up to where its level without noise is at terminal, or up to a share of that; at least three rows.

    shown : the level with noise. The last row of a whole life is at terminal, as people change it there.
    """
    end = int(np.flatnonzero(level >= terminal)[0])
    if seen < 1.0:
        rows = max(3, int(seen * end))
        under = np.minimum(shown[:rows], 0.999 * terminal)
        return MadeLife(name=name, hours=hours[:rows], restriction=under, terminal=terminal, group=group)
    whole = shown[: end + 1].copy()
    whole[-1] = max(whole[-1], terminal)
    return MadeLife(
        name=name,
        hours=hours[: end + 1],
        restriction=whole,
        terminal=terminal,
        group=group,
        end_h=float(hours[end]),
    )
