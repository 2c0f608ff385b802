"""Whatever instants and values come, a housing is studied, judged and learned from: no series breaks it."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cleanside.ingest.restriction import (
    Entry,
    HousingFacts,
    Readings,
    assess,
    housing_teaches,
    study_housing,
    summarise_hours,
)

MIDNIGHT_S = 1_771_804_800.0  # 2026-02-23, a Monday
STATES = {"running-in", "serving", "plan", "due", "over", "suspect", "silent"}
#: between two readings: what programs send by the clock, and what happens
GAPS_S = (0.25, 60.0, 900.0, 1200.0, 2400.0, 3600.0, 7200.0, 86_400.0, 7 * 86_400.0, 49 * 86_400.0)
LEVELS_PA = (0.0, 1e-3, 30.0, 900.0, 3100.0, 6199.0, 6201.0, 9000.0, 45_000.0)


@st.composite
def series(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Instants that rise [s], and restriction [Pa]: up to forty readings, and stretches of one kind."""
    gaps, levels = [], []
    for _ in range(draw(st.integers(1, 5))):
        many = draw(st.integers(1, 60))
        gaps += [draw(st.sampled_from(GAPS_S))] * many
        levels += [draw(st.sampled_from(LEVELS_PA))] * many
    start_s = MIDNIGHT_S + draw(st.sampled_from((0.0, 3600.0, 1.5, 3599.999)))
    return start_s + np.cumsum(gaps) - gaps[0], np.array(levels)


@given(
    series(),
    st.sampled_from((None, 0.0, 84.0, 200.0)),
    st.sampled_from((None, 2490.0, 6200.0)),
    st.booleans(),
)
@example((MIDNIGHT_S + 86_400.0 * np.arange(14), np.full(14, 3100.0)), None, 6200.0, False)
@example((MIDNIGHT_S + 86_400.0 * np.array([0, 49]), np.full(2, 3100.0)), None, 6200.0, False)
@settings(max_examples=120, deadline=None)
def test_any_series_is_judged_and_taught_from(
    of: tuple[np.ndarray, np.ndarray], speed: float | None, terminal_pa: float | None, changed: bool
) -> None:
    at_s, level_pa = of
    columns: dict[str, Any] = {"at_s": at_s, "restriction_pa": level_pa}
    if speed is not None:
        columns["engine_speed_rad_s"] = np.full(len(at_s), speed)
    summaries = summarise_hours(Readings(**columns))
    entries = (Entry(at_s=float(at_s[len(at_s) // 2])),) if changed else ()
    facts = HousingFacts(terminal_pa=terminal_pa, kind="grader", entries=entries)
    study = study_housing(summaries, facts).study
    assert assess(study, now_s=float(at_s[-1]) + 60.0).state in STATES
    assert len(housing_teaches(summaries, facts).lives) <= len(at_s) + 1
