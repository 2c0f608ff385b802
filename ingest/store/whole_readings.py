"""
Readings with everything that is stored of them: what goes into a file of the archive. Pure.

Leaves to others: where they are stored (`ingest.store.stored`), the file (`ingest.store.archive_file`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from cleanside.ingest.store.at_rest import FloatArray, IntArray


class WholeReadings(NamedTuple):
    """Readings of one stream, arrays of one length."""

    stream_id: int
    seq: IntArray
    #: [us since 1970]
    at_us: IntArray
    received_us: IntArray
    #: half width [s]; NaN: unknown
    at_uncertainty_s: FloatArray
    content_hash: IntArray
    #: column -> values in SI, NaN: absent; a column that none of them has may be left out
    values: Mapping[str, FloatArray]
    #: of each its set, canonical JSON
    units: Sequence[str]
    #: number -> instant finer than a microsecond
    instants: Mapping[int, str]

    @property
    def many(self) -> int:
        """How many readings."""
        return len(self.seq)

    def chosen(self, which: IntArray | slice) -> WholeReadings:
        """Those of them, in this order."""
        places = np.arange(self.many)[which].tolist()
        seq = self.seq[which]
        numbers = set(seq.tolist()) if self.instants else set()
        return WholeReadings(
            self.stream_id,
            seq,
            self.at_us[which],
            self.received_us[which],
            self.at_uncertainty_s[which],
            self.content_hash[which],
            {name: column[which] for name, column in self.values.items()},
            [self.units[place] for place in places],
            {number: instant for number, instant in self.instants.items() if number in numbers},
        )


def none_of(stream_id: int) -> WholeReadings:
    """No reading of a stream."""
    numbers, values = np.empty(0, np.int64), np.empty(0)
    return WholeReadings(stream_id, numbers, numbers, numbers, values, numbers, {}, [], {})


def together(parts: Sequence[WholeReadings], *, limit: int) -> WholeReadings:
    """
    The readings of several parts with the lowest numbers, in order of number.

    parts : at least one, of one stream, with no number in common. limit : how many at most.
    """
    names = dict.fromkeys(name for part in parts for name in part.values)
    joined = WholeReadings(
        parts[0].stream_id,
        np.concatenate([part.seq for part in parts]),
        np.concatenate([part.at_us for part in parts]),
        np.concatenate([part.received_us for part in parts]),
        np.concatenate([part.at_uncertainty_s for part in parts]),
        np.concatenate([part.content_hash for part in parts]),
        {name: np.concatenate([_column(part, name) for part in parts]) for name in names},
        [units for part in parts for units in part.units],
        {number: instant for part in parts for number, instant in part.instants.items()},
    )
    if bool((joined.seq[1:] > joined.seq[:-1]).all()):
        return joined if joined.many <= limit else joined.chosen(slice(limit))
    return joined.chosen(np.argsort(joined.seq)[:limit])


def _column(part: WholeReadings, name: str) -> FloatArray:
    return part.values[name] if name in part.values else np.full(part.many, np.nan)
