"""When the newest hours are said to have been worked without a sound element."""

from __future__ import annotations

import math

import pytest

from cleanside.ingest.restriction.elements.explain import Explained
from cleanside.ingest.restriction.elements.openings import _warned
from cleanside.ingest.restriction.elements.pieces import FLOW, LevelPiece
from cleanside.ingest.restriction.measure.tuning import TUNING

CLEAN_PA = 1_900.0


def explained(*pieces: tuple[float, float], hours: float = 10.0) -> Explained:
    """Pieces of so many hours, each its level [Pa] and how likely it was worked without a sound element."""
    levels = [math.log(level_pa) for level_pa, _ in pieces]
    return Explained(
        steps=[],
        pieces=[
            LevelPiece(10 * i, 10 * (i + 1), level, level, hours, 0.0, stopped=False)
            for i, level in enumerate(levels)
        ],
        low=[low for _, low in pieces],
        low_then=[low for _, low in pieces],
        clean=math.log(CLEAN_PA),
    )


def is_told_of(found: Explained, *, full_flow_known: bool = True) -> bool:
    """By a measure of flow."""
    return _warned(found, FLOW, TUNING, full_flow_known=full_flow_known)


@pytest.mark.parametrize(
    ("now_pa", "low", "is_told"), [(700.0, 0.3, True), (1_800.0, 0.3, False), (1_800.0, 0.6, True)]
)
def test_an_element_that_reads_about_as_a_clean_one_must_most_likely_be_at_fault(
    now_pa: float, low: float, is_told: bool
) -> None:
    assert is_told_of(explained((1_950.0, 0.0), (now_pa, low))) is is_told


@pytest.mark.parametrize(
    ("later", "is_told"),
    [
        pytest.param([(700.0, 0.15)], True, id="less likely by what was seen since"),
        pytest.param([(700.0, 0.15), (400.0, 0.12), (720.0, 0.2)], True, id="light work between"),
        pytest.param([(700.0, 0.05)], False, id="unlikely by now"),
        pytest.param([(700.0, 0.05), (700.0, 0.15)], False, id="ended, and not likely enough to begin"),
        pytest.param([(1_400.0, 0.15)], False, id="back at what an element may read"),
    ],
)
def test_what_was_told_of_a_far_too_low_level_stays_until_it_is_unlikely(
    later: list[tuple[float, float]], is_told: bool
) -> None:
    assert is_told_of(explained((1_950.0, 0.0), (700.0, 0.3), *later)) is is_told
    assert not is_told_of(explained((1_950.0, 0.0), *later))  # it would not begin by that alone


@pytest.mark.parametrize(
    ("hours", "full_flow_known", "is_told"), [(2.0, True, True), (2.0, False, False), (7.0, False, True)]
)
def test_the_first_hours_of_a_machine_warn_only_where_full_flow_is_known(
    hours: float, full_flow_known: bool, is_told: bool
) -> None:
    """By what was met in moves about the yard full flow is learned too low, and with it the level."""
    found = explained((500.0, 0.9), hours=hours)
    assert is_told_of(found, full_flow_known=full_flow_known) is is_told


@pytest.mark.parametrize(
    ("pieces", "full_flow_known", "is_told"),
    [
        pytest.param([(600.0, 0.4)], True, True, id="full flow is known"),
        pytest.param([(600.0, 0.4)], False, False, id="the work may always have been light"),
        pytest.param([(600.0, 0.6)], False, True, id="most likely at fault"),
        pytest.param([(1_950.0, 0.0), (600.0, 0.4)], False, True, id="a sound element was seen"),
    ],
)
def test_a_machine_never_seen_on_a_sound_element_must_most_likely_be_at_fault_where_full_flow_is_learned(
    pieces: list[tuple[float, float]], full_flow_known: bool, is_told: bool
) -> None:
    assert is_told_of(explained(*pieces), full_flow_known=full_flow_known) is is_told
