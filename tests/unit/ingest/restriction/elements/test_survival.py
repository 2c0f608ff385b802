"""
Survival of elements against a published example.

Freireich et al. 1963, remission of 21 patients under 6-MP, in weeks; the curve is printed in textbooks of
survival analysis, as in Klein and Moeschberger, "Survival Analysis", example 4.1 (values from memory, and
checked by hand: each is the one before times (at risk - events) / at risk).
"""

from __future__ import annotations

import pytest

from cleanside.ingest.restriction.elements.survival import (
    LEAST_LIVES,
    LEAST_REACHED,
    ReachedLife,
    compared,
)

REACHED = [6, 6, 6, 7, 10, 13, 16, 22, 23]
CENSORED = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
#: just after an event -> share that goes on
PUBLISHED = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}


def lives(part: str, reached: list[float], censored: list[float]) -> list[ReachedLife]:
    return [
        ReachedLife(part=part, hours=hours, reached_limit=is_reached)
        for group, is_reached in ((reached, True), (censored, False))
        for hours in group
    ]


def test_the_curve_is_the_published_one_with_an_interval_around_it() -> None:
    [found] = compared(lives("KG-0715", [float(h) for h in REACHED], [float(h) for h in CENSORED]))
    assert (found.lives, found.reached, found.hours_seen) == (21, 9, sum(REACHED + CENSORED))
    curve = found.curve
    assert curve is not None
    at = dict(zip(curve.hours, curve.share, strict=True))
    assert {hours: round(at[hours], 3) for hours in PUBLISHED} == PUBLISHED
    for low, share, high in zip(curve.low, curve.share, curve.high, strict=True):
        assert 0 <= low <= share <= high <= 1


@pytest.mark.parametrize(
    ("reached", "censored"),
    [(LEAST_REACHED - 1, 100), (LEAST_REACHED, LEAST_LIVES - LEAST_REACHED - 1), (1, 0), (0, 0)],
)
def test_with_few_lives_nothing_is_drawn(reached: int, censored: int) -> None:
    found = compared(lives("a", [100.0 + n for n in range(reached)], [50.0 + n for n in range(censored)]))
    assert [one.curve for one in found] == [None] * (1 if reached + censored else 0)


def test_all_that_reached_it_end_at_none() -> None:
    [found] = compared(lives("a", [100.0 + n for n in range(LEAST_LIVES)], []))
    assert found.curve is not None
    assert found.curve.share[-1] == 0
    assert found.curve.high[-1] <= 1


def test_parts_are_compared_most_lives_first_and_a_life_without_hours_is_none() -> None:
    both = [*lives("b", [1.0], []), *lives("a", [1.0, 2.0], []), *lives("c", [0.0], [])]
    assert [(one.part, one.lives) for one in compared(both)] == [("a", 2), ("b", 1)]
