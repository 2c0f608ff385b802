"""
Stops of the engine, at any of which people may have opened a housing, and what was truly done there.

A judge that learns from the truth looks at stops (`stop_features`). What it finds and what it tells in vain
are counted as `score` counts those of a program: by true changes nearby, and faults that last or lately did.
Pure. Leaves to others: which changes and faults count at all (`score`), and the judge.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction import Summaries
from tests.fleets.truth import HOUR_S, Change

WHOLE_HOUR = 0.99  # of an hour at work; what is less has a stop of half a minute in it
NEAREST_S = 12 * HOUR_S  # work is done at the nearest stop within this, where it lies in none


@dataclass(frozen=True, kw_only=True)
class Stop:
    """The engine stood between two hours at work, or within the one between them."""

    #: last reading before and first one after, or the bounds of the hour in which it stood
    from_s: float
    to_s: float
    #: starts of the last whole hour before and of the first one after
    before_s: float
    after_s: float


def stops_of(table: Summaries) -> list[Stop]:
    """All stops of a machine, in time order."""
    work = np.flatnonzero(table.working)
    hour_s, last_s, first_s = (table.column(name)[work] for name in ("hour_s", "last_s", "first_s"))
    is_short = table.column("operating_s")[work] < WHOLE_HOUR * HOUR_S
    apart = np.r_[np.diff(hour_s) > HOUR_S, False]  # from this hour to the next
    made = []
    for i in range(1, len(work)):
        if apart[i - 1]:
            made.append((last_s[i - 1], first_s[i], hour_s[i - 1], hour_s[i]))
        elif is_short[i] and not apart[i]:
            made.append((hour_s[i], hour_s[i] + HOUR_S, hour_s[i - 1], hour_s[i] + HOUR_S))
    return [Stop(from_s=float(a), to_s=float(b), before_s=float(c), after_s=float(d)) for a, b, c, d in made]


def works_at(stops: Sequence[Stop], changes: Iterable[Change]) -> dict[int, Change]:
    """Place of a stop -> what was done there; of work that lies in no stop, the nearest."""
    found = {}
    for change in changes:
        away = [max(stop.from_s - change.at_s, change.at_s - stop.to_s, 0.0) for stop in stops]
        if away and min(away) <= NEAREST_S:
            found[int(np.argmin(away))] = change
    return found
