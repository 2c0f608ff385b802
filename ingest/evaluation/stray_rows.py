"""
Rows far from the rows around them: spikes of a sensor, rows of another file.

Promises: pure; no unit of its own, distances are the caller's.
Leaves to others: what follows from them (`life_audit`, `lives_report`).
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.measure.summary import FloatArray

NEIGHBOURS = 5  # rows on either side that others are compared with (chosen)
LEAP_FACTOR = (
    5.0  # over the largest of NEIGHBOURS steps before; x^6 in five rows ends with 3.5 times (chosen)
)


def stray_runs(level: FloatArray, *, far: float, alike: float, most: int | None = None) -> list[range]:
    """
    Runs of at most so many rows that lie far from the rows before and after, which agree with each other.

    level : shape (n,). far, alike : in its unit. most : None = any number.
    A run that begins with the first row or ends with the last is none: too little is seen on one side.
    """
    runs: list[range] = []
    for first in (np.flatnonzero(np.abs(np.diff(level)) > far) + 1).tolist():
        if runs and first <= runs[-1].stop:
            continue  # the leap back
        run = _run_from(level, first, far, alike)
        if run is not None and (most is None or len(run) <= most):
            runs.append(run)
    return runs


def _run_from(level: FloatArray, first: int, far: float, alike: float) -> range | None:
    before = float(np.median(level[max(0, first - NEIGHBOURS) : first]))
    side = np.sign(level[first] - before)
    back = np.flatnonzero(side * (level[first:] - before) <= far)
    if len(back) == 0 or back[0] == 0:
        return None
    stop = first + int(back[0])
    after = float(np.median(level[stop : stop + NEIGHBOURS]))
    is_far = np.min(side * (level[first:stop] - after)) > far
    return range(first, stop) if is_far and abs(after - before) < alike else None


def leap_at_end(level: FloatArray, *, far: float, most: int) -> int | None:
    """
    First of at most so many rows at the end that begin with a leap, far beyond the steps before it.

    None: there is none, or too few rows before it say what steps are usual. far : in the unit of the level.
    """
    steps = np.abs(np.diff(level))
    for first in range(max(1 + NEIGHBOURS, len(level) - most), len(level)):
        usual = float(np.max(steps[first - 1 - NEIGHBOURS : first - 1]))
        if steps[first - 1] > max(far, LEAP_FACTOR * usual):
            return first
    return None
