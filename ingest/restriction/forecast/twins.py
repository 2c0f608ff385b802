"""
Lives that are near twins: run in one batch, of one delivery, in one campaign.

A life left out is no test while its twin stays in: errors on lives left out come out too small. Twins
are therefore left out together, and count as one life. Each life is a point: its length and its clean level.
In batches the points lie in clumps, and the shortest tree through all points has a few long edges and many
short ones.
Source of the tree: R. C. Prim, "Shortest Connection Networks and some Generalizations", Bell System Technical
Journal 36 (1957).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from cleanside.ingest.restriction.forecast.paths import NUDGE, Path
from cleanside.ingest.restriction.measure.summary import FloatArray, IntArray

LEAST_LIVES = 5  # of a kind (chosen: fewer points make no clumps)
LEAST_TWINS = (
    4  # lives of a kind that are one batch, as all of them are alike (chosen: three may be by chance)
)
ALIKE = 0.03  # spread of ln(length) of these (tuning benches: 0.02 in batches, 0.05 on a stand)
MOST_APART = (
    0.06  # the same of batches among others; lives of a kind on a test stand differ by that (open bench)
)
TWINS = 3.0  # lives of a batch, on the average (chosen: pairs lie near each other by chance)
MAY_BE_ALIKE, MOST_TWINS = 0.07, 8  # so alike, so few lives may be of one batch or not (chosen, made lives)
GAP = 6.0  # edges between batches over edges within, geometric means; of random points below 5.5 (simulated)
LEAST_EDGE = 1e-3  # of the spread of the points (chosen: nearer ones coincide)
CLEAN_FROM, CLEAN_UNTIL = 0.03, 0.12  # of the life: there the clean level is read (chosen: settled, clean)


def place_of(path: Path, end_h: float | None = None) -> tuple[float, float]:
    """
    A whole life as a point: ln(length), and its clean level. [share of terminal]

    end_h : age at its end; None = at its last row. [h]
    """
    end_h = float(path.hours[-1]) if end_h is None else end_h
    lived = path.hours / end_h
    early = path.level[(lived >= CLEAN_FROM * (1.0 - NUDGE)) & (lived <= CLEAN_UNTIL * (1.0 + NUDGE))]
    return float(np.log(end_h)), float(early.mean() if len(early) else path.level[0])


def batches(places: Sequence[tuple[float, float]], groups: Sequence[str]) -> IntArray:
    """
    Number of the batch of each life, shape (n,); each life is one of its own where there are no batches.

    groups : kinds of the lives; a batch is of one kind.
    """
    numbers = np.arange(len(places))
    for group in sorted(set(groups)):
        mine = np.array([i for i, name in enumerate(groups) if name == group])
        numbers[mine] = mine[_batches_of_one_kind(np.array([places[i] for i in mine]))]
    return numbers


def _batches_of_one_kind(points: FloatArray) -> IntArray:
    """The first point of the batch of each point, shape (n,); its own place where there are no batches."""
    alone, lengths = np.arange(len(points)), points[:, 0]
    if len(points) >= LEAST_TWINS and lengths.std(ddof=1) < ALIKE:
        return np.zeros(len(points), dtype=np.int64)
    if len(points) < LEAST_LIVES:
        return alone
    spread = points.std(axis=0)
    clump = _clumps(points / np.where(spread > 0, spread, 1.0))
    _, number, sizes = np.unique(clump, return_inverse=True, return_counts=True)
    away = lengths - (np.bincount(number, lengths) / sizes)[number]
    within = np.sqrt(np.sum(away**2) / max(1, len(points) - len(sizes)))
    return clump if within < MOST_APART else alone


def counts_of(batch: IntArray) -> FloatArray:
    """How much each life counts, shape (n,): those of a batch count as one together."""
    _, number, sizes = np.unique(batch, return_inverse=True, return_counts=True)
    return np.asarray(1.0 / sizes[number])


def least_batches(batch: IntArray, places: Sequence[tuple[float, float]], groups: Sequence[str]) -> int:
    """
    How many batches the lives are of at the least.

    Few lives of a kind that are alike may be one batch, or the kind may be that regular: they do not tell.
    batch : as `batches` finds them.
    """
    least, ln_h = 0, np.array([length for length, _ in places])
    for group in sorted(set(groups)):
        mine = np.array([name == group for name in groups])
        few = LEAST_TWINS <= mine.sum() <= MOST_TWINS
        alike = few and ln_h[mine].std(ddof=1) < MAY_BE_ALIKE
        least += 1 if alike else len(np.unique(batch[mine]))
    return least


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
    cut = _long_edges(np.log(np.maximum([length for length, _, _ in edges], LEAST_EDGE)))
    clump = np.arange(n)
    for _, one, other in edges[cut:] if cut else []:
        low, high = sorted((int(clump[one]), int(clump[other])))
        clump[clump == high] = low
    return clump


def _long_edges(ln_edges: FloatArray) -> int:
    """
    How many edges lie between clumps, the others within; 0 = the edges do not fall into long and short ones.

    ln_edges : falling, shape (n - 1,). The split has the least variance on either side (N. Otsu, "A
    Threshold Selection Method from Gray-Level Histograms", IEEE Trans. SMC 9 (1979)).
    """
    cuts = range(1, max(2, int((len(ln_edges) + 1) / TWINS)))
    parts = [(ln_edges[:cut], ln_edges[cut:]) for cut in cuts]
    within = [len(long) * np.var(long) + len(short) * np.var(short) for long, short in parts]
    best = int(np.argmin(within))
    long, short = parts[best]
    return best + 1 if long.mean() - short.mean() > np.log(GAP) else 0


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
