"""
Which readings of an interval are the most informative, when the disk cannot hold them all. Pure functions.

Promises: of each interval the first, the last, the lowest, the highest and the changes of state stay, so
that a thinned week still shows when the engine ran, how restriction rose and how high it went.
Leaves to others: when to thin and how far (`gateway.spool.room`), declaring (`gateway.spool.shed`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from cleanside.gateway.spool.payload import UnitSet, read_values
from cleanside.gateway.spool.rows import Row, is_whole

#: lengths of the intervals, tried one after the other until there is enough room [s]; chosen: each about four
#: times the previous one, from unnoticed with a 10 s device to still showing each shift
LEVELS_S = (60, 300, 1_200, 3_600, 14_400, 86_400)
MOST_CHANGES = 8  # of state that stay in an interval; chosen: an engine that starts more often has a fault


def intervals(rows: Sequence[Row], length_s: int) -> Iterator[list[Row]]:
    """Neighbours of one boot (or of none) and one interval of time, in order of append."""
    length_us = length_s * 1_000_000
    for _, group in groupby(rows, key=lambda row: (row[1], row[2] // length_us)):
        yield list(group)


def worth_keeping(rows: Sequence[Row], unit_sets: Mapping[int, UnitSet]) -> set[int]:
    """
    Positions of the readings of one interval that stay. rows : at least one, in order.

    Unreadable rows are left out.
    """
    try:
        return _worth_keeping(rows, unit_sets)
    except (KeyError, TypeError, ValueError):
        whole = [row for row in rows if is_whole(row, unit_sets)]
        return _worth_keeping(whole, unit_sets) if whole else set()


def _worth_keeping(rows: Sequence[Row], unit_sets: Mapping[int, UnitSet]) -> set[int]:
    keep = {rows[0][0], rows[-1][0]}
    changes: list[int] = []
    lowest: tuple[float, int] | None = None
    highest: tuple[float, int] | None = None
    before: tuple[object, ...] | None = None
    for row, values in zip(rows, read_values([row[5] for row in rows]), strict=True):
        named = dict(zip((name for name, _ in unit_sets[row[4]]), values, strict=True))
        value = named.get("restriction", values[0] if values else None)
        if value is not None:
            lowest = (value, row[0]) if lowest is None or value < lowest[0] else lowest
            highest = (value, row[0]) if highest is None or value > highest[0] else highest
        state = (row[4], named.get("engine_speed", 0) > 0)
        if before is not None and state != before:
            changes.append(row[0])
        before = state
    keep |= {position for _, position in filter(None, (lowest, highest))}
    return keep | set(changes[:MOST_CHANGES])
