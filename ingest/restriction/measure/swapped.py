"""
Monitors that changed places between two machines: from one hour on each sends what the other sent before.

What a monitor sends beside restriction is that of the machine it sits on: which measure of flow, voltage,
pressure, temperature. A housing whose kind of readings changes has another monitor, or another wiring. Where
two housings change at the same time, and crosswise, the monitors were swapped.
Promises: a value, part of the fleet snapshot; equal summaries in any order give equal results. A single odd
hour is no change.
Leaves to others: collecting it (the snapshot), what people read of it (`suspect`). Two monitors that send the
same quantities cannot be told apart here.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.summary import EVIDENCE, HOUR_S, BoolArray, IntArray, Summaries

LEAST_HOURS = 3  # working hours of one kind in a row; an hour of the swap has some of both (chosen)
MOST_CHANGES = 20  # newest of a housing; one that changes more often tells nothing (chosen)
#: measurements that one machine has and another has not
_PRESENT = ("last_supply_voltage_v", "ambient_pressure_pa", "temperature_k", "altitude_m")


class SentChange(NamedTuple):
    """From one hour on a housing's readings are of another kind. Instants in seconds since 1970-01-01 UTC."""

    machine: str
    was: int  # which quantities, as a number of bits
    became: int
    after_s: float  # start of the last hour of the old kind
    by_s: float  # end of the first hour of the new kind

    def is_crosswise(self, other: SentChange) -> bool:
        """The other machine changed the other way round, and it may have been at the same instant."""
        is_mirrored = (self.was, self.became) == (other.became, other.was)
        return is_mirrored and self.after_s < other.by_s and other.after_s < self.by_s


class SwappedSpan(NamedTuple):
    """Hours in which a housing's readings came from another machine."""

    other: str  # that machine
    from_s: float
    until_s: float  # inf: they still do


@dataclass(frozen=True)
class SentChanges:
    """What changed in the readings of all housings of an owner."""

    changes: tuple[SentChange, ...] = ()

    def as_record(self) -> list[list[Any]]:
        """Plain lists for JSON."""
        return [list(change) for change in self.changes]

    @classmethod
    def from_record(cls, record: Sequence[Sequence[Any]]) -> SentChanges:
        """The inverse of `as_record`."""
        return cls(tuple(SentChange(*row) for row in record))

    def spans(self, summaries: Summaries, machine: str) -> list[SwappedSpan]:
        """When the monitor of a housing sat on another machine, in time order."""
        if not self.changes:
            return []
        found: list[SwappedSpan] = []
        away: tuple[str, SentChange] | None = None
        for change in _changes(summaries, machine):
            if away is None:
                partner = self._partner(change)
                away = None if partner is None else (partner, change)
            elif change.became == away[1].was:
                found.append(_span(*away, until_s=change.by_s))
                away = None
        return found if away is None else [*found, _span(*away, until_s=math.inf)]

    def _partner(self, change: SentChange) -> str | None:
        """The machine that changed crosswise; None: there is none."""
        others = (other for other in self.changes if other.machine != change.machine)
        return next((other.machine for other in others if change.is_crosswise(other)), None)


def _span(other: str, change: SentChange, *, until_s: float) -> SwappedSpan:
    return SwappedSpan(other, change.after_s + HOUR_S, until_s)


def hours_in(spans: Iterable[SwappedSpan], hour_s: IntArray) -> BoolArray:
    """Which hours lie in the spans, shape as given."""
    inside = np.zeros(len(hour_s), dtype=bool)
    for span in spans:
        inside |= (hour_s >= span.from_s) & (hour_s < span.until_s)
    return inside


def collect_sent(of_machines: Iterable[tuple[str, Summaries]]) -> SentChanges:
    """What changed in the readings of machines, each with its name; order does not matter."""
    return SentChanges(tuple(sorted(c for name, summaries in of_machines for c in _changes(summaries, name))))


def _changes(summaries: Summaries, machine: str) -> list[SentChange]:
    """From one run of hours of a kind to the next of another kind; runs below LEAST_HOURS are left out."""
    works = np.flatnonzero(summaries.working)
    kind, hour_s = _kinds(summaries)[works], summaries.hours["hour_s"][works]
    edges = np.flatnonzero(np.diff(kind, prepend=-1, append=-1))
    runs = [run for run in itertools.pairwise(edges) if run[1] - run[0] >= LEAST_HOURS]
    changes = [
        SentChange(
            machine,
            int(kind[first]),
            int(kind[begin]),
            float(hour_s[end - 1]),
            float(hour_s[begin] + HOUR_S),
        )
        for (first, end), (begin, _) in itertools.pairwise(runs)
        if kind[first] != kind[begin]
    ]
    return changes[-MOST_CHANGES:]


def _kinds(summaries: Summaries) -> IntArray:
    """
    Which quantities came in each hour, as a number of bits, shape (n,).

    That the engine counts as running by restriction, or by nothing, is one kind: neither speed nor voltage
    came, and a monitor that sends what changes has hours in which restriction hardly came.
    """
    evidence = np.maximum(summaries.hours["evidence"], EVIDENCE.index("restriction"))
    kind = summaries.hours["flow_kind"].astype(np.int64) * len(EVIDENCE) + evidence
    for name in _PRESENT:
        kind = 2 * kind + ~np.isnan(summaries.column(name))
    return np.asarray(kind)
