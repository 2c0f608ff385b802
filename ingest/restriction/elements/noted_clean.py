"""
What a person noted of a new element in this very machine, and what follows for its clean elements.

Whoever fits a monitor stands at the machine: with a new element in that was looked at, and full flow, a gauge
shows what clean elements of this machine read. No fleet tells that so well.
Strategy: two cases, side by side in all histories. The note is right: then it is a look at one more element
of the machine, as sure as gauge, element and level are. It is not (the element was in use, the machine
another, full flow not reached): then it says nothing. Readings that come later weigh the two, so a note
decides unless they contradict it.
Promises: pure. Levels are logarithms.
Leaves to others: the histories (`explain`), how a level lies below full flow (`measure.reference`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from cleanside.ingest.restriction.elements.densities import ln
from cleanside.ingest.restriction.measure.calibration import LN_DECADE
from cleanside.ingest.restriction.measure.reference import Reference
from cleanside.ingest.restriction.measure.tuning import Tuning


class NotedClean(NamedTuple):
    """The level that a clean element of the machine reads by the note, as the hours would show it."""

    level: float  # ln(level)
    spread: float  # of gauge and full flow, without how much elements differ [ln]


class KnownClean(NamedTuple):
    """What clean elements of the machine read, before any was seen. Levels are logarithms."""

    clean: float
    var: float
    by_note: bool = False  # the note counts as right
    weight: float = 0.0  # ln of how likely that is


def noted_clean(shown_pa: float, reference: Reference, tuning: Tuning) -> NotedClean:
    """
    What a gauge showed at full flow, in the levels of the hours. shown_pa : > 0. [Pa]

    Where full flow is not known they lie below it by a half-normal part, as where indicators are judged by.
    What else a level errs by, from element to element, is a part of how much elements differ by their hours.
    """
    below, below_var = 0.0, 0.0
    if not reference.full_flow_known and reference.raised == 1.0:
        below = tuning.met_below * math.sqrt(2.0 / math.pi)
        below_var = tuning.met_below**2 * (1.0 - 2.0 / math.pi)
    return NotedClean(math.log(shown_pa) - below, math.sqrt(tuning.gauge_spread**2 + below_var))


def with_note(known: KnownClean, noted: NotedClean | None, tuning: Tuning) -> tuple[KnownClean, ...]:
    """The cases, with how likely each is; one where nothing was noted."""
    if noted is None:
        return (known,)
    own_var = noted.spread**2 + tuning.note_spread**2
    off, off_var = noted.level - known.clean, known.var + own_var
    right = -0.5 * off**2 / off_var - 0.5 * math.log(2.0 * math.pi * off_var)
    gain = known.var / off_var
    return (
        KnownClean(known.clean + gain * off, gain * own_var, True, ln(tuning.note_right) + right),
        known._replace(weight=ln(1.0 - tuning.note_right) - math.log(LN_DECADE)),
    )
