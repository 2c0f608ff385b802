"""Rows of readings from spans of time in which the key is on: neutral help for every generator."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.fleets.truth import HOUR_S, Bools, Floats, Ints
from tests.fleets.upkeep import LEAST_BREAK_S, Worked


def rows_of(spans: Sequence[tuple[float, float]], interval_s: float, lead_s: float) -> tuple[Floats, Bools]:
    """
    Instants of readings and whether the engine runs, shape (n,).

    spans : begin and end of each time the engine runs [s], in order, not overlapping.
    lead_s : the key is on for as long before the engine starts, and two readings after it stops.
    """
    pieces, running, last_s = [], [], -np.inf
    for begin_s, end_s in spans:
        at_s = np.arange(max(begin_s - lead_s, last_s + interval_s), end_s + 2 * interval_s, interval_s)
        last_s = float(at_s[-1])
        pieces.append(at_s)
        running.append((at_s >= begin_s) & (at_s < end_s))
    return np.concatenate(pieces), np.concatenate(running)


def worked_of(at_s: Floats, running: Bools, dust_per_h: Floats, interval_s: float, end_s: float) -> Worked:
    """The work of a machine. dust_per_h : shape (n,), what the housing takes in at each row."""
    hours: Floats = np.cumsum(running, dtype=np.float64) * interval_s / HOUR_S
    dust = np.cumsum(np.where(running, dust_per_h, 0.0)) * interval_s / HOUR_S
    return Worked(
        at_s=at_s, hours=hours, dust=dust, breaks=breaks_of(at_s), end=int(np.searchsorted(at_s, end_s))
    )


def breaks_of(at_s: Floats) -> Ints:
    """Rows before which the key was off for long enough to work on the machine."""
    return np.flatnonzero(np.diff(at_s) >= LEAST_BREAK_S) + 1


def in_runs(shares: Sequence[float], mean_rows: Sequence[float], n: int, chance: np.random.Generator) -> Ints:
    """A state a row, shape (n,): runs of exponential length, so that each state has its share of the rows."""
    weights = np.asarray(shares) / np.asarray(mean_rows)
    runs = int(2 * n / np.dot(weights / weights.sum(), mean_rows)) + 50
    states = chance.choice(len(weights), size=runs, p=weights / weights.sum())
    lengths = 1 + chance.exponential(np.asarray(mean_rows)[states]).astype(np.int64)
    rows = np.repeat(states, lengths)
    return np.resize(rows, n)


def smooth_noise(n: int, rows: float, chance: np.random.Generator) -> Floats:
    """Gaussian noise of mean 0 and deviation 1 that is remembered for about so many rows, shape (n,)."""
    knots = chance.normal(size=int(n / rows) + 3)
    place = np.arange(n) / rows
    whole = place.astype(np.int64)
    share = place - whole
    mixed = knots[whole] * (1 - share) + knots[whole + 1] * share
    return np.asarray(mixed / np.sqrt((1 - share) ** 2 + share**2))
