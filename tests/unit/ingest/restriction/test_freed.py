"""What a study worked out is freed with it: nothing waits for the garbage collector, megabytes a machine."""

from __future__ import annotations

import gc
import weakref

import numpy as np

from cleanside.ingest.restriction import HousingFacts, Readings, Summaries, study_housing, summarise_hours


def worked() -> Summaries:
    """Two weeks of shifts."""
    at_s = 1_772_409_600.0 + 120.0 * np.arange(14 * 720, dtype=np.float64)
    running = (at_s // 3600) % 24 < 9
    return summarise_hours(
        Readings(
            at_s=at_s,
            restriction_pa=np.where(running, 2_500.0, 0.0),
            engine_speed_rad_s=np.where(running, np.where(at_s % 600 < 240, 120.0, 190.0), 0.0),
        )
    )


def test_summaries_are_freed_as_soon_as_their_study_is() -> None:
    was_on = gc.isenabled()
    gc.disable()
    try:
        summaries = worked()
        found = study_housing(summaries, HousingFacts(terminal_pa=6_200.0))
        assert found.study.reference.flow_kind == "engine_speed"
        left = weakref.ref(summaries)
        del summaries, found
        assert left() is None
    finally:
        if was_on:
            gc.enable()
