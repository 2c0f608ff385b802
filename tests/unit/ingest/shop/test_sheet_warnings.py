"""Limits that are far from those of other machines, in files of any length."""

from __future__ import annotations

from statistics import median
from typing import ClassVar

import pytest

from cleanside.ingest.shop.sheet_warnings import LEAST_OTHERS, SheetLimit, odd_limits


class Counted(float):
    """A number that counts how often it is compared."""

    comparisons: ClassVar[int] = 0

    def __lt__(self, other: float) -> bool:
        Counted.comparisons += 1
        return float(self) < float(other)


def limits_of(*levels_pa: float) -> list[SheetLimit]:
    return [SheetLimit(f"m-{n}", "main", "grader", 0.0, "Pa", pa, n) for n, pa in enumerate(levels_pa)]


@pytest.mark.parametrize("others", [3, 4, 5, 8])
def test_it_is_compared_with_the_median_of_the_others(others: int) -> None:
    """As the standard library has it."""
    levels_pa = [100.0, *(5_000.0 + 10.0 * (7 * n % others) for n in range(others))]
    [odd] = odd_limits(limits_of(*levels_pa))
    assert (odd.limit.machine, odd.others_pa) == ("m-0", median(levels_pa[1:]))


def test_equal_limits_and_few_of_a_kind_are_not_odd() -> None:
    assert odd_limits(limits_of(*[6_200.0] * 9)) == []
    assert odd_limits(limits_of(*[6_200.0] * (LEAST_OTHERS - 1), 60.0)) == []


def test_the_longest_file_is_looked_at_in_few_steps() -> None:
    """A file has 5 000 rows at most, and is looked at while other writers wait."""
    many = 1_000
    Counted.comparisons = 0
    odd_limits(limits_of(*(Counted(5_000 + n) for n in range(many))))
    assert Counted.comparisons < 40 * many
