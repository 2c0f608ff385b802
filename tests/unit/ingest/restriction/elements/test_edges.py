"""Where lives begin: falls that were found beside what people entered."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import Entry, WeighedEntry
from cleanside.ingest.restriction.elements.lives import find_edges, split_lives, tell_lives
from cleanside.ingest.restriction.measure.reference import HourlyRestriction

HOUR_S = 3_600.0
CLEAN_PA = 2_000.0
LEVEL = np.repeat([5_000.0, CLEAN_PA, 5_500.0, CLEAN_PA], [100, 30, 30, 40])
SERIES = HourlyRestriction(
    hour_s=np.arange(float(len(LEVEL))) * HOUR_S,
    operating_s=np.full(len(LEVEL), HOUR_S),
    restriction_pa=LEVEL,
    flow_ratio=np.ones(len(LEVEL)),
)


def test_another_fall_within_days_of_an_entry_that_has_its_own_is_a_change_of_its_own() -> None:
    """In dusty work an element lasts for 60 hours."""
    falls = [Change(row, 5_000.0, CLEAN_PA, "high", "change") for row in (100, 160)]
    right = WeighedEntry(entry=Entry(at_s=100 * HOUR_S), verdict="fits", used_s=100 * HOUR_S, row=100)
    believed = np.ones(len(LEVEL), dtype=bool)
    edges = find_edges(SERIES, believed, falls, entered=[right])
    assert [(edge.row, edge.entered) for edge in edges] == [(100, True), (160, False)]
    #: an entry without a fall of its own is the change that was found near it
    between = dataclasses.replace(right, row=130)
    assert [edge.row for edge in find_edges(SERIES, believed, falls, entered=[between])] == [130]


@pytest.mark.parametrize(
    ("after_pa", "low_from", "is_another"),
    [
        pytest.param(3_800.0, 160, True, id="the level fell at the entry, and an element was at work since"),
        pytest.param(4_700.0, 160, False, id="it hardly fell there"),
        pytest.param(3_800.0, 105, False, id="a tube came off at the entry, and is on again at the fall"),
    ],
)
def test_a_fall_after_an_entry_whose_own_fall_is_not_told_is_a_change_where_an_element_worked_between(
    after_pa: float, low_from: int, is_another: bool
) -> None:
    right = WeighedEntry(
        entry=Entry(at_s=100 * HOUR_S),
        verdict="fits",
        used_s=100 * HOUR_S,
        row=100,
        before_pa=5_000.0,
        after_pa=after_pa,
    )
    rows = np.arange(len(LEVEL))
    falls = [Change(160, 5_500.0, CLEAN_PA, "high", "change")]
    believed = np.ones(len(LEVEL), dtype=bool)
    low = (rows >= low_from) & (rows < 160)
    edges = find_edges(SERIES, believed, falls, entered=[right], low=low)
    assert [edge.row for edge in edges] == ([100, 160] if is_another else [100])


def test_a_change_behind_hours_in_doubt_is_told_with_the_span_in_which_it_was_made() -> None:
    """A tap is plugged from hour 100 on and freed at 140: the new element went in between."""
    believed = np.ones(len(LEVEL), dtype=bool)
    believed[100:140] = False
    fall = Change(100, 5_000.0, CLEAN_PA, "high", "change")
    [edge] = find_edges(SERIES, believed, [fall])
    assert (edge.at_s, edge.by_s) == (100 * HOUR_S, 140 * HOUR_S)
    [span] = [
        s for s in tell_lives(SERIES, split_lives(SERIES, edges=[edge], terminal_pa=6_000.0)) if s.began_by
    ]
    assert (span.start_s, span.start_by_s) == (edge.at_s, edge.by_s)
    #: a tube that was left off, which the levels show
    off = dataclasses.replace(fall, hidden=30)
    [shown] = find_edges(SERIES, np.ones(len(LEVEL), dtype=bool), [off])
    assert (shown.at_s, shown.by_s) == (100 * HOUR_S, 130 * HOUR_S)
    #: with all hours fit to judge by the date is the hour itself
    [sure] = find_edges(SERIES, np.ones(len(LEVEL), dtype=bool), [fall])
    assert sure.by_s is None
