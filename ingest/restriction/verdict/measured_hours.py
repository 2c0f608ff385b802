"""
What the hours of a housing show before they are cut into element lives: levels, zero, and hours in doubt.

Leaves to others: lives (`element_history`) and the verdict (`study`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.measure.calibration import Calibration
from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.mirrored import righted
from cleanside.ingest.restriction.measure.reference import (
    HourlyRestriction,
    Reference,
    at_reference_flow,
    corrected,
    learn_reference,
)
from cleanside.ingest.restriction.measure.summary import BoolArray, HourSummary, Summaries
from cleanside.ingest.restriction.measure.zero import Zero, learn_zero
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.suspect import HourDoubts, hour_doubts
from cleanside.ingest.restriction.verdict.unread import HoursUnread, unread_of


@dataclass(frozen=True)
class MeasuredHours:
    """What the hours of a housing show before they are cut into lives."""

    table: Summaries
    reference: Reference
    series: HourlyRestriction
    zeros: tuple[Zero, ...]  # of each device
    doubts: HourDoubts
    unread: HoursUnread  # hours that any of them sent without restriction

    def believed(self) -> BoolArray:
        """Rows of the series whose hour is not in doubt, and whose level is known; not to be written to."""
        return self._believed

    @cached_property
    def _believed(self) -> BoolArray:
        sound = ~self.doubts.flat[np.searchsorted(self.table.column("hour_s"), self.series.hour_s)]
        return np.asarray(sound & np.isfinite(self.series.restriction_pa))

    def corrected(self, by: Calibration) -> MeasuredHours:
        """The same with all levels corrected by what people saw."""
        reference = replace(self.reference, factor=by.factor)
        return replace(self, reference=reference, series=corrected(self.series, reference))


def measure_hours(summaries: Sequence[HourSummary], facts: HousingFacts) -> MeasuredHours:
    """Restriction at the reference flow by hour, and which hours are in doubt. summaries : any order."""
    seen = Summaries.of(summaries)
    carried = carry_on(seen)
    table, mirrored = righted(carried.table)
    carried = replace(carried, table=table)
    reference = learn_reference(
        table,
        reference_flow=facts.reference_flow,
        reference_kind=facts.reference_kind,
        shortfalls=facts.fleet.shortfalls,
        machine_kind=facts.kind,
    )
    series, zero = at_reference_flow(table, reference), learn_zero(table)
    zeros = tuple(learn_zero(alone) for alone in carried.alone.values()) or (zero,)
    swapped = facts.fleet.sent.spans(table, facts.machine)
    doubts = hour_doubts(carried, reference, zero, swapped, mirrored)
    return MeasuredHours(table, reference, series, zeros, doubts, unread_of(seen))
