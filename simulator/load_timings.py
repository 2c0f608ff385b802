"""
How long readings took until they were acknowledged, and what happened in each slice of a run.

Promises: a latency counts from when the reading was due, not from when it was sent, so a server that is slow
for a second is slow for every reading of that second: nothing is left out because the sender had to wait
(coordinated omission). Memory is bounded, however long the run.
Leaves to others: what is measured (`open_machine.py`), how it looks (`load_report.py`, `load_page.py`).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from hdrh.histogram import HdrHistogram

LONGEST_S: Final = 86_400.0
DIGITS: Final = 3
DIGITS_OF_A_SLICE: Final = 2  # a slice needs a sixth of the memory so
MOST_SLICES: Final = 300  # of a run: as many as a plot shows; chosen
PERCENTILES: Final = (50.0, 75.0, 90.0, 95.0, 99.0, 99.9, 99.99, 100.0)
_A_SECOND: Final = 10_000  # histograms count tenths of a millisecond


def _histogram(digits: int) -> HdrHistogram:
    return HdrHistogram(1, int(LONGEST_S) * _A_SECOND, digits)


class Latencies:
    """Latencies of one kind of reading, over the run and slice by slice."""

    def __init__(self) -> None:
        self._whole = _histogram(DIGITS)
        self._slices: dict[int, HdrHistogram] = {}

    def add(self, latency_s: float, *, slice_number: int) -> None:
        """Count a reading that took so long. slice_number : in which it was due."""
        counted = max(1, round(min(LONGEST_S, latency_s) * _A_SECOND))
        self._whole.record_value(counted)
        if slice_number not in self._slices:
            self._slices[slice_number] = _histogram(DIGITS_OF_A_SLICE)
        self._slices[slice_number].record_value(counted)

    @property
    def count(self) -> int:
        """How many there are."""
        return int(self._whole.get_total_count())

    def at_percentile_ms(self, percentile: float) -> float:
        """The latency that so many percent do not exceed. [ms] 0 where there is none."""
        return _at_percentile_ms(self._whole, percentile)

    def by_slice(self) -> list[tuple[int, float, float]]:
        """(slice, p50, p99) of each that has any, in order. [ms]"""
        return [
            (number, _at_percentile_ms(found, 50.0), _at_percentile_ms(found, 99.0))
            for number, found in sorted(self._slices.items())
        ]

    def as_json(self) -> dict[str, Any]:
        """Percentiles [ms], and the histogram in the encoding that other HdrHistogram libraries read."""
        return {
            "count": self.count,
            "percentiles_ms": {f"{p:g}": self.at_percentile_ms(p) for p in PERCENTILES},
            "hdr_histogram_tenths_of_ms": self._whole.encode().decode() if self.count else None,
        }


def _at_percentile_ms(histogram: HdrHistogram, percentile: float) -> float:
    return float(histogram.get_value_at_percentile(percentile)) * 1_000 / _A_SECOND


@dataclass(slots=True)
class Slice:
    """What happened in one slice of a run."""

    sampled: int = 0
    acknowledged: int = 0
    requests: int = 0
    #: readings that waited in all machines at its end
    waiting: int = 0


class Figures:
    """All that a run measures."""

    def __init__(self, duration_s: float) -> None:
        #: length of a slice [s]
        self.slice_s = max(1, math.ceil(duration_s / MOST_SLICES))
        #: of readings sampled while their machine had a link
        self.live = Latencies()
        #: of readings sampled without a link, from when the link came back
        self.backlog = Latencies()
        #: how late the generator itself was with a sample
        self.lag = Latencies()
        #: status, or why there was no answer -> requests
        self.outcomes: Counter[str] = Counter()
        self.sent_bytes = self.sampled = self.acknowledged = 0
        #: as answers said
        self.duplicates = self.quarantined = 0
        self._slices: dict[int, Slice] = {}

    def slice_at(self, elapsed_s: float) -> int:
        """The number of the slice of a moment of the run. [s]"""
        return max(0, int(elapsed_s // self.slice_s))

    def now(self, elapsed_s: float) -> Slice:
        """The slice of a moment of the run, to count in. [s]"""
        return self._slices.setdefault(self.slice_at(elapsed_s), Slice())

    @property
    def waiting(self) -> int:
        """Readings that are sampled and not acknowledged."""
        return self.sampled - self.acknowledged

    def timeline(self) -> Sequence[tuple[int, Slice]]:
        """Every slice of the run, in order."""
        last = max(self._slices, default=-1)
        return [(number, self._slices.get(number, Slice())) for number in range(last + 1)]
