"""
Lives that are near twins: run in one batch, of one delivery, in one campaign.

A life left out is no test while its twin stays in: errors on lives left out come out too small. Twins
are therefore left out together. Each life is a point: its length and its clean level. In batches the points
lie in clumps, and the shortest tree through all points has a few long edges and many short ones.
Source of the tree: R. C. Prim, "Shortest Connection Networks and some Generalizations", Bell System Technical
Journal 36 (1957).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanside.ingest.restriction.forecast.paths import NUDGE, Path
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

LEAST_LIVES = 5
TWINS = 2.0  # lives of a batch, on the average; with fewer there are no batches
GAP = 3.5  # times the next shorter edge of the tree; made lives without batches reach 2.5 (tuning benches)
CLEAN_FROM, CLEAN_UNTIL = 0.03, 0.12  # of the life: there the clean level is read


def place_of(path: Path) -> tuple[float, float]:
    """A whole life as a point: ln(length), and its clean level. [share of terminal]"""
    lived = path.hours / path.hours[-1]
    early = path.level[(lived >= CLEAN_FROM * (1.0 - NUDGE)) & (lived <= CLEAN_UNTIL * (1.0 + NUDGE))]
    return float(np.log(path.hours[-1])), float(early.mean() if len(early) else path.level[0])


def batches(places: Sequence[tuple[float, float]], groups: Sequence[str]) -> IntArray:
    """
    Number of the batch of each life, shape (n,); each life is one of its own where there are no batches.

    groups : kinds of the lives; a batch is of one kind.
    """
    numbers = np.arange(len(places))
    for group in sorted(set(groups)):
        mine = np.array([i for i, name in enumerate(groups) if name == group])
        if len(mine) >= LEAST_LIVES:
            points = np.array([places[i] for i in mine])
            spread = points.std(axis=0)
            numbers[mine] = mine[_clumps(points / np.where(spread > 0, spread, 1.0))]
    return numbers


def folds_of(batch: IntArray, most: int) -> IntArray:
    """Fold of each life, shape (n,), at most `most`: twins in one, neighbours in different ones."""
    _, first, number = np.unique(batch, return_index=True, return_inverse=True)
    place = np.empty(len(first), dtype=np.int64)
    place[np.argsort(first, kind="stable")] = np.arange(len(first))
    return np.asarray(place[number] % most)


def _clumps(points: FloatArray) -> IntArray:
    """The first point of the clump of each point, shape (n,); its own place where there are no clumps."""
    n = len(points)
    edges = sorted(_shortest_tree(points), reverse=True)
    lengths = np.array([length for length, _, _ in edges])
    cuts = np.arange(1, int(n / TWINS))  # so many edges cut make one clump more
    ratio = lengths[cuts - 1] / np.maximum(lengths[cuts], 1e-12)
    if ratio.max() < GAP:
        return np.arange(n)
    clump = np.arange(n)
    for _, one, other in edges[int(cuts[np.argmax(ratio)]) :]:
        low, high = sorted((int(clump[one]), int(clump[other])))
        clump[clump == high] = low
    return clump


def _shortest_tree(points: FloatArray) -> list[tuple[float, int, int]]:
    """Edges of the shortest tree through all points: length and both ends."""
    apart = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
    nearest, away = np.zeros(len(points), dtype=np.int64), apart[0].copy()
    away[0] = np.inf
    edges = []
    for _ in range(len(points) - 1):
        new = int(np.argmin(away))
        edges.append((float(away[new]), int(nearest[new]), new))
        closer = (apart[new] < away) & np.isfinite(away)
        away[closer], nearest[closer] = apart[new][closer], new
        away[new] = np.inf
    return edges
