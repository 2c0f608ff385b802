"""
What the work of a housing meets beside its levels, from hours with a sound element that are believed.

Leaves to others: what follows for the indicator on the housing (`ahead`).
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.measure.met import Met, met_of, peaks_pa
from cleanside.ingest.restriction.measure.tuning import MET
from cleanside.ingest.restriction.verdict.element_history import ElementHistory
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours


def met_by_work(measured: MeasuredHours, history: ElementHistory) -> Met:
    """What shifts meet, and whether the running element met the limit."""
    sound = measured.believed() & ~history.openings.low
    peak_pa = np.nan_to_num(peaks_pa(measured.table, measured.series.hour_s))[sound]
    met = met_of(peak_pa, history.openings.level_pa[sound], MET)
    reached = np.any(peak_pa[history.running[sound]] >= history.life.terminal_pa)
    return met._replace(reached=bool(reached))
