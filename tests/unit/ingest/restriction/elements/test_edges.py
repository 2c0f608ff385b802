"""Where lives begin: falls that were found beside what people entered."""

from __future__ import annotations

import dataclasses

import numpy as np

from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import Entry, WeighedEntry
from cleanside.ingest.restriction.elements.lives import find_edges
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
