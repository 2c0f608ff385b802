"""
Machines whose full flow is known teach how far work stays below it.

Full flow is known where a person entered it in the quantity that is measured, or where the load is reported.
Leaves to others: what other machines learn from it (`shortfall`).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.ranks import middle, upper_envelope
from cleanside.ingest.restriction.measure.reference import (
    at_reference_flow,
    envelope_of,
    flow_met,
    learn_reference,
)
from cleanside.ingest.restriction.measure.shortfall import Shortfall, Shortfalls
from cleanside.ingest.restriction.measure.summary import Summaries
from cleanside.ingest.restriction.measure.tuning import FLOW, TUNING

NOTHING = 2  # index in the triples of `Tuning`


class Labelled(NamedTuple):
    """The summaries of a housing, with what is entered of it."""

    machine: str
    kind: str
    summaries: Summaries
    reference_flow: float | None
    reference_kind: str | None


def collect_shortfalls(housings: Iterable[Labelled]) -> Shortfalls:
    """What each housing whose full flow is known shows; order does not matter."""
    found = (_shortfall(housing) for housing in housings)
    return Shortfalls(tuple(sorted(one for one in found if one is not None)))


def _shortfall(housing: Labelled) -> Shortfall | None:
    table = carry_on(housing.summaries).table
    reference = learn_reference(
        table, reference_flow=housing.reference_flow, reference_kind=housing.reference_kind
    )
    if not reference.full_flow_known or reference.reference_flow is None:
        return None
    if reference.gauge_lags:  # its high hours lie further below full flow than those of other gauges
        return None
    series, high = at_reference_flow(table, reference), envelope_of(table)
    _, mine, others = np.intersect1d(series.hour_s, high.hour_s, return_indices=True)
    # As of a machine without a flow measure: work goes by shifts, whose high hours lie below those of all.
    rows, share = TUNING.envelope_h, TUNING.level_quantile[NOTHING]
    envelope = upper_envelope(high.restriction_pa, share, rows)[others]
    sound = (series.restriction_pa[mine] > 0) & (envelope > 0)
    if sound.sum() < FLOW.short_hours:
        return None
    ln_flow = float(np.log(reference.reference_flow / flow_met(table)))
    ln_level = -middle(np.log(envelope[sound] / series.restriction_pa[mine][sound]))
    low, high_bound = FLOW.short_bounds
    return Shortfall(
        housing.machine,
        housing.kind,
        float(np.clip(ln_flow, low, high_bound)),
        float(np.clip(ln_level, low, high_bound)),
    )
