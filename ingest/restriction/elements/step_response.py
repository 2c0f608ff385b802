"""
What the flow response around a step of the level says of the element: ln densities of the exponent after it.

Strategy: the exponent of clean elements of the machine is expected a little above that of the whole record,
and learned as new elements are seen. Another element has that exponent, a cleaned one lies between it and the
one before, a torn or missing one above. Where nothing happened the exponent stays.
Promises: pure. No density falls below `Tuning.answer_least`, so that noise does not decide alone.
Leaves to others: the exponent (`flow_response`), and the histories that are weighed by it (`explain`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from cleanside.ingest.restriction.elements.densities import evenly, ln, mixed
from cleanside.ingest.restriction.elements.pieces import NOTHING, LevelPiece
from cleanside.ingest.restriction.measure.flow_response import Exponent, FlowResponse
from cleanside.ingest.restriction.measure.held import in_steps
from cleanside.ingest.restriction.measure.tuning import HELD, Tuning


class StepResponses:
    """The flow response around the steps of a series."""

    def __init__(
        self, pieces: Sequence[LevelPiece], response: FlowResponse | None, by: int, tuning: Tuning
    ) -> None:
        """response : None = not known. by : FLOW, SPEED or NOTHING."""
        self._pieces, self._response, self._by, self._tuning = pieces, response, by, tuning
        whole: float | None = None
        if response is not None and by != NOTHING:
            whole = response.middle_over(pieces[0].first, pieces[-1].end)
        #: the exponent of clean elements to expect, and its variance; (0, 0) where nothing shows it
        self.of_clean = (0.0, 0.0)
        if whole is not None:
            value = in_steps(whole, HELD.exponent_step)
            self.of_clean = value + tuning.answer_clean[0], tuning.answer_clean[1] ** 2

    def at(self, number: int) -> StepResponse:
        """The response at the step to a piece; none where the step is small."""
        pieces, tuning = self._pieces, self._tuning
        before, piece = pieces[number - 1], pieces[number]
        if abs(before.finish - piece.start) < tuning.answer_step:
            return StepResponse(None, None, tuning)
        first = max(before.first, before.end - tuning.answer_h)
        end = min(self._same_until(number), piece.first + tuning.answer_h)
        return StepResponse(self._over(first, before.end), self._over(piece.first, end), tuning)

    def _same_until(self, number: int) -> int:
        """The row at which the level next steps far away."""
        start = self._pieces[number].start
        for piece in self._pieces[number + 1 :]:
            if abs(piece.start - start) > self._tuning.answer_near:
                return piece.first
        return self._pieces[-1].end

    def _over(self, first: int, end: int) -> Exponent | None:
        if self._response is None or self._by == NOTHING:
            return None
        found = self._response.over(first, end)
        if found is None:
            return None
        return Exponent(found.value, math.hypot(found.spread, self._tuning.answer_spread[self._by]))


class StepResponse:
    """
    The exponents before and after a step; None: they do not show.

    Arguments of all densities: the exponent of clean elements of the machine, and its variance.
    Ask only where it `shows`.
    """

    def __init__(self, before: Exponent | None, after: Exponent | None, tuning: Tuning) -> None:
        self._before, self._tuning = before, tuning
        self.shows = after is not None
        self._after = after if after is not None else Exponent(math.nan, math.nan)
        self._densities: dict[tuple[str, float, float], float] = {}
        #: no ln density is higher, nor that of a response that does not show, which is 0
        self.most = max(0.0, -math.log(2 * self._wide(0.0))) if self.shows else 0.0

    @property
    def exponents(self) -> tuple[Exponent | None, Exponent | None]:
        """Before and after the step; None: not shown."""
        return self._before, self._after if self.shows else None

    def density(self, what: str, clean: float, clean_var: float) -> float:
        """ln density after what happened, one of `WAYS`. Histories with one clean exponent share it."""
        key = what, clean, clean_var
        if key not in self._densities:
            self._densities[key] = WAYS[what](self, clean, clean_var)
        return self._densities[key]

    def as_new(self, clean: float, clean_var: float) -> float:
        """After a new element."""
        return max(
            mixed(self._after.value - clean, self._wide(clean_var), self._tuning), self._tuning.answer_least
        )

    def as_cleaned(self, clean: float, clean_var: float) -> float:
        """After a cleaning: between the exponent before and that of a clean element."""
        wide = self._wide(clean_var)
        before = self._loaded(clean) if self._before is None else self._before.value
        low, high = min(before, clean) - wide, max(before, clean) + wide
        return self._at_least(evenly(self._after.value, low, high, wide))

    def as_low(self, clean: float, clean_var: float) -> float:
        """With the element torn or missing. A tear may not show."""
        low, high = (clean + more for more in self._tuning.answer_low)
        raised = evenly(self._after.value, low, high, self._wide(clean_var))
        hidden = self._tuning.answer_hidden
        return self._at_least(hidden * math.exp(self.as_new(clean, clean_var)) + (1 - hidden) * raised)

    def as_loaded(self, clean: float, clean_var: float) -> float:
        """With an element of any age, where the exponent before is not its own."""
        wide = math.hypot(self._wide(clean_var), self._tuning.answer_clean[0])
        return self._at_least(math.exp(mixed(self._after.value - self._loaded(clean), wide, self._tuning)))

    def as_before(self, clean: float, clean_var: float) -> float:
        """With the same element as before the step."""
        if self._before is None:
            return self.as_loaded(clean, clean_var)
        wide = math.hypot(self._before.spread, self._wide(clean_var))
        return self._at_least(math.exp(mixed(self._after.value - self._before.value, wide, self._tuning)))

    def learned(self, clean: float, var: float) -> tuple[float, float]:
        """The exponent of clean elements, and its variance, after one more was seen."""
        if not self.shows:
            return clean, var
        own = self._after.spread**2 + self._tuning.answer_element**2
        return clean + var / (var + own) * (self._after.value - clean), var * own / (var + own)

    def _loaded(self, clean: float) -> float:
        return clean - self._tuning.answer_clean[0]

    def _wide(self, clean_var: float) -> float:
        return math.sqrt(clean_var + self._after.spread**2 + self._tuning.answer_element**2)

    def _at_least(self, density: float) -> float:
        return max(ln(density), self._tuning.answer_least)


#: what happened, as `explain` has it -> how the response is weighed
WAYS: Mapping[str, Callable[[StepResponse, float, float], float]] = {
    "new": StepResponse.as_new,
    "cleaned": StepResponse.as_cleaned,
    "low": StepResponse.as_low,
    "back": StepResponse.as_loaded,
    "nothing": StepResponse.as_before,
}
