"""When the newest hours are said to have been worked without a sound element."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.openings import Openings
from cleanside.ingest.restriction.elements.pieces import FLOW
from cleanside.ingest.restriction.measure.tuning import TUNING
from cleanside.ingest.restriction.verdict.element_history import below_clean

SEEN = Openings(
    steps=[],
    weighed=[],
    falls=[],
    level_pa=np.full(40, 700.0),
    low=np.zeros(40, dtype=bool),
    doubted=np.zeros(40, dtype=bool),
    low_now=0.3,
    now_pa=700.0,
    clean_pa=1_900.0,
)


@pytest.mark.parametrize(
    ("now_pa", "low_now", "is_told"), [(700.0, 0.3, True), (1_800.0, 0.3, False), (1_800.0, 0.6, True)]
)
def test_an_element_that_reads_about_as_a_clean_one_must_most_likely_be_at_fault(
    now_pa: float, low_now: float, is_told: bool
) -> None:
    openings = dataclasses.replace(SEEN, now_pa=now_pa, low_now=low_now)
    assert [suspicion.cause for suspicion in below_clean(openings, FLOW, TUNING)] == ["below_clean"] * is_told
