"""
How far the work of machines stays below full flow: learned from those whose full flow is known.

A limit is stated at full flow. Where neither the load nor the flow at the limit is known, all that shows is
the highest flow that the machine met, and many never meet a full one. What machines of the same fleet, the
same kind first, stay below it is then the best guess.
Promises: a value, part of the fleet snapshot; equal lists in any order give equal results. With no machine to
learn from it is the usual shortfall, with a wide spread.
Leaves to others: which machines know (`known_full_flow`), and what is done with it (`reference`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.tuning import FLOW


class Shortfall(NamedTuple):
    """Of one machine whose full flow is known."""

    machine: str
    kind: str
    ln_flow: float  # full flow over that which the flows met would let expect
    ln_level: float  # level at full flow over the upper envelope of the hours


class ExpectedShortfall(NamedTuple):
    """What to expect of a machine whose full flow is not known: middle and standard deviation. [ln]"""

    flow: tuple[float, float]
    level: tuple[float, float]


@dataclass(frozen=True)
class Shortfalls:
    """Of the machines of an owner."""

    known: tuple[Shortfall, ...] = ()

    def expected(self, kind: str) -> ExpectedShortfall:
        """Of a machine of a kind; "" = not known. The kind is drawn to the fleet, the fleet to the usual."""
        if kind not in self._of_kinds:
            self._of_kinds[kind] = self._expected(kind)
        return self._of_kinds[kind]

    @cached_property
    def _of_kinds(self) -> dict[str, ExpectedShortfall]:
        """Those that were asked for: it takes longer the larger the fleet is, and each machine asks."""
        return {}

    def _expected(self, kind: str) -> ExpectedShortfall:
        mine = [one for one in self.known if one.kind == kind]
        return ExpectedShortfall(
            _expected([one.ln_flow for one in self.known], [one.ln_flow for one in mine], FLOW.short_flow),
            _expected([one.ln_level for one in self.known], [one.ln_level for one in mine], FLOW.short_level),
        )

    def as_record(self) -> list[list[Any]]:
        """Plain lists for JSON."""
        return [list(one) for one in self.known]

    @classmethod
    def from_record(cls, record: Sequence[Sequence[Any]]) -> Shortfalls:
        """The inverse of `as_record`."""
        return cls(tuple(Shortfall(*row) for row in record))


def _expected(
    fleet: Sequence[float], kind: Sequence[float], usual: tuple[float, float]
) -> tuple[float, float]:
    """Means of few values, each drawn to the wider one, which counts as so many machines."""
    weight, of_kind = FLOW.short_machines, FLOW.short_kind_machines
    mean = (weight * usual[0] + float(np.sum(fleet))) / (weight + len(fleet))
    spread = usual[1] * float(np.sqrt(1.0 + 1.0 / (weight + len(fleet))))
    return (of_kind * mean + float(np.sum(kind))) / (of_kind + len(kind)), spread
