"""
A change of the element as the level shows it.

Leaves to others: finding it (`openings`), lives (`lives`), what people entered (`entries`).
"""

from __future__ import annotations

from dataclasses import dataclass

#: of the rise that stays (chosen: new elements differ by less, open field series: 2.8 to 4.1 mbar of 8)
CLEANED_PART = 0.2


@dataclass(frozen=True)
class Change:
    """A fall that looks like a new or a cleaned element."""

    row: int  # first row of the new level
    before: float  # level of the hours before, in the unit of the series
    after: float
    sure: str  # "high", or "medium" while something else may have happened
    likely: str  # "change", or "cleaned" where the level came back only part of the way
    hidden: int = 0  # rows from `row` on that do not show the new level yet, as a tube was left off


def part_of_the_way(change: Change, clean: float) -> bool:
    """More of the rise above the clean level stayed than new elements differ by."""
    return change.after > clean + CLEANED_PART * max(change.before - clean, 0.0)
