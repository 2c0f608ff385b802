"""
How far the share used may be off, and what would show full flow.

A share is as sure as the level at full flow. Beside the error that all levels of a machine share comes what
passes: moisture, frost, light work, a gauge that is slow, a turbocharger that weakens.
Promises: pure; a share that is not known has no width.
Leaves to others: the width of the dates (`ahead`), which go by a whole life and not by its newest level.
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.elements.given_back import INTERVAL_Z
from cleanside.ingest.restriction.measure.reference import Reference
from cleanside.ingest.restriction.verdict.statement import Statement, say

# What passes, as a standard deviation of ln(level). Of made fleets (plateau, quarry, moor, forest) the 80 %
# interval of the level holds 0.77 with it by a flow or the load, and 0.76 else.
PASSES_BY_FLOW, PASSES_ELSE = 0.1, 0.2
LEAST_POINTS = 5.0  # chosen: less makes no difference to a plan


def share_width(
    *,
    level_pa: float | None,
    clean_pa: float | None,
    terminal_pa: float | None,
    reference: Reference,
    level_spread: float,
) -> tuple[Statement, ...]:
    """
    The half-width of the 80 % interval of the share used, in points, and what would show full flow.

    level_pa, clean_pa, terminal_pa : newest level, clean level and limit; None = not known. [Pa]
    level_spread : relative standard error that all levels of the machine share, after any look. [1]
    """
    if level_pa is None or clean_pa is None or terminal_pa is None or reference.of_idle_only:
        return ()
    span_pa = terminal_pa - clean_pa if clean_pa < terminal_pa else terminal_pa
    by_flow = reference.basis == "flow" and not reference.by_speed
    spread = float(np.hypot(level_spread, PASSES_BY_FLOW if by_flow else PASSES_ELSE))
    points = 100.0 * INTERVAL_Z * spread * level_pa / span_pa
    if points < LEAST_POINTS:
        return ()
    return (say("share_width", points=points), *_helps(reference))


def _helps(reference: Reference) -> tuple[Statement, ...]:
    """What would show full flow; empty: it is known."""
    if reference.full_flow_known:
        return ()
    if reference.basis != "flow":
        return (say("send_speed_and_load"),)
    return (say("enter_full_flow" if reference.flow_kind == "air_mass_flow" else "send_load"),)
