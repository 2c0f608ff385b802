"""
Readings of a stream with their times as sent, in order of number: those on the server, and new ones.

Stored and quarantined readings alike. Left out are quarantined readings whose time cannot be read, discarded
ones, and second readings of a number.
Leaves to others: what the times mean (`ingest.checking.outliers`, `ingest.checking.unset_runs`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import Batch, parse_instant
from cleanside.ingest.checking.plausible_time import CLOCK_UNSET
from cleanside.ingest.store import quarantine, readings
from cleanside.ingest.store.marks import Range, Ranges, ranges_of
from cleanside.ingest.store.streams import Stream

CONTEXT = 4  # readings on either side of new ones: two that are judged too, and two as context for those
TIME_IS_RIGHT = "time_is_right"  # member of an amended content: a person confirmed its time
CLUSTER = 200  # one query covers numbers less than this apart, with all between them; chosen


class Placed(NamedTuple):
    """A reading with its time."""

    seq: int
    at_us: int
    #: half width [s]; NaN: unknown
    uncertainty_s: float
    #: index in the new batch; None: the server had it before
    in_batch: int | None = None
    #: its entry, if it is quarantined
    entry_id: int | None = None
    #: codes of the reasons for which it is quarantined
    codes: frozenset[str] = frozenset()
    #: a person confirmed its time
    is_right: bool = False

    @property
    def is_unset(self) -> bool:
        """True if it is quarantined because its clock was never set."""
        return CLOCK_UNSET in self.codes


def arriving(batch: Batch, new: Sequence[int], numbers: Sequence[int]) -> list[Placed]:
    """Readings of a batch that have a time. new : their indexes. numbers : of all readings of the batch."""
    return [
        Placed(numbers[index], at_us, np.nan if half is None else half, index)
        for index in new
        if (at_us := batch.at_us[index]) is not None
        for half in (batch.uncertainty_s(index),)
    ]


def clusters(numbers: Sequence[int]) -> Ranges:
    """Rising numbers as ranges; numbers close together make one range."""
    ranges: list[Range] = []
    for number in numbers:
        if ranges and number - ranges[-1][1] < CLUSTER:
            ranges[-1] = (ranges[-1][0], number)
        else:
            ranges.append((number, number))
    return tuple(ranges)


def there(connection: sa.Connection, stream_id: int, first: int, last: int) -> list[Placed]:
    """Readings first..last that the server has, and `CONTEXT` on either side, in order of number."""
    stored = readings.times_near(connection, stream_id, first, last, CONTEXT)
    below = [row.seq for row in stored if row.seq < first]
    above = [row.seq for row in stored if row.seq > last]
    bounds = below[0] if len(below) >= CONTEXT else 0, above[-1] if len(above) >= CONTEXT else 2**63 - 1
    found = [Placed(row.seq, row.at_us, _known(row.at_uncertainty_s)) for row in stored]
    rows = quarantine.near(connection, stream_id, (first, last), bounds, CONTEXT)
    found += [placed for row in rows if (placed := _placed(*row)) is not None]
    line = in_order(found)
    lower = [placed for placed in line if placed.seq < first][-CONTEXT:]
    upper = [placed for placed in line if placed.seq > last][:CONTEXT]
    return [*lower, *(placed for placed in line if first <= placed.seq <= last), *upper]


def in_order(placed: Iterable[Placed]) -> list[Placed]:
    """The readings in order of number."""
    return sorted(placed, key=lambda one: one.seq)


def _known(uncertainty_s: float | None) -> float:
    return np.nan if uncertainty_s is None else uncertainty_s


def _placed(seq: int, entry_id: int, content: str, reasons: str) -> Placed | None:
    """A quarantined reading with its time; None where the time cannot be read."""
    document = json.loads(content)
    try:
        at_us = parse_instant(document["at"]).us
    except (KeyError, ValueError):
        return None
    half = _known(document.get("at_uncertainty_s"))
    codes = frozenset(reason["code"] for reason in json.loads(reasons))
    return Placed(seq, at_us, half, None, entry_id, codes, is_confirmed(document))


def judged_otherwise(
    connection: sa.Connection, stream: Stream, entries: Mapping[int, bool], code: str
) -> list[int]:
    """Entries whose reasons disagree with the verdict. entries : entry -> is it doubted by this code."""
    entries_changed = []
    for entry in quarantine.by_ids(connection, stream.owner_id, list(entries)):
        if entry.code == quarantine.SET_ASIDE or _is_called_right(entry.amended):
            continue  # a person has decided
        if entries[entry.id] != any(reason["code"] == code for reason in json.loads(entry.reasons)):
            entries_changed.append(entry.id)
    return entries_changed


def with_persons_word(connection: sa.Connection, stream: Stream, line: Sequence[Placed]) -> list[Placed]:
    """The same readings; stored ones whose time a person confirmed are marked."""
    stored = ranges_of(sorted(one.seq for one in line if one.in_batch is None and one.entry_id is None))
    amended = quarantine.amended_of(connection, stream.id, stored)
    right = {seq for seq, content in amended.items() if _is_called_right(content)}
    return [one._replace(is_right=True) if one.seq in right else one for one in line]


def _is_called_right(amended: str | None) -> bool:
    return amended is not None and is_confirmed(json.loads(amended))


def is_confirmed(document: Mapping[str, Any]) -> bool:
    """
    True for the content of a reading whose time a person confirmed.

    A number under this name is a value of a quantity so called, which a release before took.
    """
    return document.get(TIME_IS_RIGHT) is True
