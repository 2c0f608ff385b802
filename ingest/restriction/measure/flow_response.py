"""
How restriction answers the flow over some hours of a housing: the exponent n of restriction ~ flow^n.

Media and dust resist about in proportion to the flow, ducts with its square (Darcy-Forchheimer). The less an
element resists, the nearer the exponent comes to that of the ducts alone: it rises with a new element, more
with a torn one, and most with none. The level says so only where the clean level is known.
Promises: pure; computed from the hours given alone. None where they do not show it.
Leaves to others: what an exponent means (`explain`).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.exponent import LEAST_PAIRS, exponent_of
from cleanside.ingest.restriction.measure.flow_pairs import FlowSteps
from cleanside.ingest.restriction.measure.ranks import weighted_quantiles
from cleanside.ingest.restriction.measure.reference import flow_steps
from cleanside.ingest.restriction.measure.summary import (
    FloatArray,
    HourSummary,
    IntArray,
    Summaries,
)

#: less is noise of the sensor, which bends the logarithm: two steps of a 0.05 kPa sensor (chosen)
LEAST_PA = 100.0


class Exponent(NamedTuple):
    """A fitted exponent and its standard error."""

    value: float
    spread: float


class KnownExponents:
    """
    The exponents that one response gave, for the next of the same housing.

    By all that they rest on, slopes and weights, a kilobyte or two for each window: a new hour changes few.
    """

    def __init__(self) -> None:
        self.found: dict[tuple[bytes, bytes], Exponent] = {}


class FlowResponse:
    """The steps of flow and restriction, in order of the rows of a series."""

    def __init__(
        self, row: IntArray, ln_flow: FloatArray, ln_drop: FloatArray, known: KnownExponents | None = None
    ) -> None:
        """
        row : of each step, not falling. ln_flow, ln_drop : differences of logarithms. Shape (n,).
        known : the exponents of the response before, of the same housing; then those of this one.
        """
        self._row, self._slopes, self._weights = row, ln_drop / ln_flow, np.abs(ln_flow)
        known = KnownExponents() if known is None else known
        self._before, self._found = known.found, dict[tuple[bytes, bytes], Exponent]()
        known.found = self._found

    def over(self, first: int, end: int) -> Exponent | None:
        """The exponent over rows first to end, a few shifts; None where too few steps of flow show it."""
        steps = self._steps(first, end)
        if steps is None:
            return None
        slopes, weights = steps
        key = slopes.tobytes(), weights.tobytes()
        found = self._before.get(key) or Exponent(*exponent_of(slopes, weights))
        self._found[key] = found
        return found

    def middle_over(self, first: int, end: int) -> float | None:
        """The value of `over`, without the two quantiles that its standard error takes."""
        steps = self._steps(first, end)
        return None if steps is None else weighted_quantiles(*steps, (0.5,))[0]

    def _steps(self, first: int, end: int) -> tuple[FloatArray, FloatArray] | None:
        """Slopes and weights of the steps between two rows; None where they are too few."""
        low, high = np.searchsorted(self._row, (first, end))
        if high - low < LEAST_PAIRS:
            return None
        return self._slopes[low:high], self._weights[low:high]


def response_of(summaries: Sequence[HourSummary], hour_s: FloatArray) -> FlowResponse:
    """The response of a housing at the hours of a series. hour_s : their starts, rising, shape (n,)."""
    table = Summaries.of(summaries)
    steps = flow_steps(table)
    known = table.handed_on("exponents", KnownExponents)
    return _in_rows(steps, table.column("hour_s"), hour_s, known)


def _in_rows(
    steps: FlowSteps, table_s: FloatArray, hour_s: FloatArray, known: KnownExponents
) -> FlowResponse:
    row_of = np.searchsorted(hour_s, table_s)  # by hour: there are ten steps in each
    is_row = np.append(hour_s, np.nan)[row_of] == table_s
    use = np.flatnonzero(is_row[steps.hour] & (steps.low_pa >= LEAST_PA))
    return FlowResponse(row_of[steps.hour[use]], steps.ln_flow[use], steps.ln_drop[use], known)
