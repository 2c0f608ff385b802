"""
What a step between two hours of work says: media get wet and dry in hours, an element is changed in minutes.

Promises: pure. All are ln odds, at most 0.
Leaves to others: how far the level fell at once (`pieces`), and the histories weighed by it (`explain`).
"""

from __future__ import annotations

import math

from cleanside.ingest.restriction.elements.densities import ln, student
from cleanside.ingest.restriction.elements.pieces import LevelPiece
from cleanside.ingest.restriction.measure.tuning import Tuning


def too_soon_dry(piece: LevelPiece, fall: float, spread: float, tuning: Tuning) -> float:
    """
    Against media that dry by so much at a step, by the time that they had, at work or standing.

    fall : from wet to dry. spread : of the level over a few hours to the next few. [ln]
    """
    hours = tuning.windows_h[0] + piece.stood_h
    dried = -math.expm1(-hours / tuning.dries_h) * max(fall, piece.edge)
    at_once = tuning.dries_at_once
    return ln(at_once + (1.0 - at_once) * math.exp(_beyond(piece.edge - dried, spread)))


def too_soon_wet(piece: LevelPiece, spread: float, tuning: Tuning) -> float:
    """Against media that swell by the rise at a step: they take water in hours of work, not standing."""
    swells_later = math.exp(-tuning.windows_h[0] / tuning.dries_h)
    return _beyond((-piece.edge - tuning.wet_step) * swells_later, spread)


def _beyond(step: float, spread: float) -> float:
    return student(max(step, 0.0), spread) - student(0.0, spread)
