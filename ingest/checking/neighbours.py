"""
Readings next to each other by number: whose time is out of line, also once neighbours arrive late.

Promises: the verdict on a reading rests on the times, as sent, of the two nearest readings on either side
by number. Stored and quarantined readings count alike, so the verdict is the same for every order of
arrival. What arrives is judged with its neighbours, and its neighbours are judged again: a stored reading
that is out of line goes into quarantine, one that was quarantined for that alone is stored. A time that a
person called right stays as it is.
Leaves to others: when times are out of line (`ingest.checking.plausible_time`), quarantining and storing
(`ingest.quarantine.revising`). Readings without numbers have no neighbours.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.gateway.wire import Batch, parse_instant
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.checking.plausible_time import out_of_line, outlier_doubt, steps_back
from cleanside.ingest.store import quarantine, readings
from cleanside.ingest.store.marks import Range, Ranges, ranges_of
from cleanside.ingest.store.streams import Stream

RESTS_ON = 2  # readings on either side that a verdict rests on
CONTEXT = 2 * RESTS_ON  # readings read on either side: the neighbours are judged too, by their own
TIME_IS_RIGHT = "time_is_right"  # member of an amended content: a person said that its time is right
CLUSTER = 200  # numbers less than this apart are looked up together, with all between them; chosen


class Placed(NamedTuple):
    """A reading with its place in time."""

    seq: int
    at_us: int
    #: half width [s]; NaN: unknown
    uncertainty_s: float
    #: index in the batch that brings it; None: the server had it before
    in_batch: int | None = None
    #: its entry, if it is quarantined
    entry_id: int | None = None


@dataclass(slots=True)
class Lines:
    """What the neighbours say about a batch, and what the batch says about its neighbours."""

    #: indexes in the batch whose times are out of line
    out: set[int] = field(default_factory=set)
    #: number -> stored reading that is out of line now
    withdrawn: dict[int, Placed] = field(default_factory=dict)
    #: quarantined entries whose reasons say otherwise: to be judged again
    again: list[int] = field(default_factory=list)
    #: time of the reading with the highest number, if the last ones are in order; None: unknown
    tail_us: int | None = None


def look(
    connection: sa.Connection, stream: Stream, incoming: Incoming, new: Sequence[int], numbers: Sequence[int]
) -> Lines:
    """
    Judge the new readings of a batch with what is next to them.

    new : their indexes. numbers : of all readings of the batch. Nothing is written.
    """
    lines = Lines(tail_us=stream.tail_us if stream.tail_is_known else None)
    entries: dict[int, bool] = {}
    arrived = _arrived(incoming.batch, new, numbers)
    for first, last in _clusters([placed.seq for placed in arrived]):
        there = _there(connection, stream.id, first, last)
        line = _in_order([*there, *arrived])  # complete from the lowest to the highest that is there
        entries |= _judge(line, _judged_again(line, first, last), lines)
        if sum(placed.seq > last for placed in there) < CONTEXT:  # the line reaches the end of the stream
            lines.tail_us = _tail_us(line)
    lines.again = _judged_otherwise(connection, stream, entries)
    lines.withdrawn = _not_called_right(connection, stream, lines.withdrawn)
    return lines


def out_among(connection: sa.Connection, stream: Stream, numbers: Sequence[int]) -> set[int]:
    """Those of these numbers, which the server has, whose times are out of line."""
    found: set[int] = set()
    for first, last in _clusters(sorted(numbers)) if stream.is_numbered else ():
        line = _there(connection, stream.id, first, last)
        found |= {placed.seq for placed, is_out in zip(line, _verdicts(line), strict=True) if is_out}
    return found & set(numbers)


def _arrived(batch: Batch, new: Sequence[int], numbers: Sequence[int]) -> list[Placed]:
    return [
        Placed(numbers[index], at_us, np.nan if half is None else half, index)
        for index in new
        if (at_us := batch.at_us[index]) is not None
        for half in (batch.uncertainty_s(index),)
    ]


def _clusters(numbers: Sequence[int]) -> Ranges:
    """Numbers that rise, as ranges; what lies close together is one range."""
    found: list[Range] = []
    for number in numbers:
        if found and number - found[-1][1] < CLUSTER:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return tuple(found)


def _there(connection: sa.Connection, stream_id: int, first: int, last: int) -> list[Placed]:
    """Readings first..last that the server has, and `CONTEXT` on either side, in order of number."""
    stored = readings.times_near(connection, stream_id, first, last, CONTEXT)
    below = [row.seq for row in stored if row.seq < first]
    above = [row.seq for row in stored if row.seq > last]
    bounds = below[0] if len(below) >= CONTEXT else 0, above[-1] if len(above) >= CONTEXT else 2**63 - 1
    found = [Placed(row.seq, row.at_us, _known(row.at_uncertainty_s)) for row in stored]
    rows = quarantine.near(connection, stream_id, (first, last), bounds, CONTEXT)
    found += [placed for row in rows if (placed := _placed(*row)) is not None]
    line = _in_order(found)
    lower = [placed for placed in line if placed.seq < first][-CONTEXT:]
    upper = [placed for placed in line if placed.seq > last][:CONTEXT]
    return [*lower, *(placed for placed in line if first <= placed.seq <= last), *upper]


def _in_order(placed: Iterable[Placed]) -> list[Placed]:
    return sorted(placed, key=lambda one: one.seq)


def _known(uncertainty_s: float | None) -> float:
    return np.nan if uncertainty_s is None else uncertainty_s


def _placed(seq: int, entry_id: int, content: str) -> Placed | None:
    """A quarantined reading with its place in time; None where its time cannot be read."""
    document = json.loads(content)
    try:
        at_us = parse_instant(document["at"]).us
    except (KeyError, ValueError):
        return None
    return Placed(seq, at_us, _known(document.get("at_uncertainty_s")), entry_id=entry_id)


def _judged_again(line: Sequence[Placed], first: int, last: int) -> Range:
    """Lowest and highest number that is judged: what lies further out is there as context."""
    below = [placed.seq for placed in line if placed.seq < first][-RESTS_ON:]
    above = [placed.seq for placed in line if placed.seq > last][:RESTS_ON]
    return min([*below, first]), max([*above, last])


def _verdicts(line: Sequence[Placed]) -> npt.NDArray[np.bool_]:
    at_us = np.array([placed.at_us for placed in line], dtype=np.int64)
    return out_of_line(at_us, np.array([placed.uncertainty_s for placed in line], dtype=np.float64))


def _judge(line: Sequence[Placed], judged: Range, lines: Lines) -> dict[int, bool]:
    """Note who is out of line. Returns quarantined entry -> is it."""
    entries: dict[int, bool] = {}
    for placed, is_out in zip(line, _verdicts(line).tolist(), strict=True):
        if not judged[0] <= placed.seq <= judged[1]:
            continue
        if placed.entry_id is not None:
            entries[placed.entry_id] = is_out
        elif is_out and placed.in_batch is not None:
            lines.out.add(placed.in_batch)
        elif is_out:
            lines.withdrawn[placed.seq] = placed
    return entries


def _tail_us(line: Sequence[Placed]) -> int | None:
    last = np.array([placed.at_us for placed in line[-RESTS_ON - 1 :]], dtype=np.int64)
    return None if steps_back(last) else int(last[-1])


def _judged_otherwise(connection: sa.Connection, stream: Stream, entries: Mapping[int, bool]) -> list[int]:
    """Entries whose reasons disagree with the verdict. entries : entry -> is its time out of line."""
    code = outlier_doubt(0).code
    found = []
    for entry in quarantine.by_ids(connection, stream.owner_id, list(entries)):
        if entry.code == quarantine.SET_ASIDE or _is_called_right(entry.amended):
            continue  # a person has decided
        if entries[entry.id] != any(reason["code"] == code for reason in json.loads(entry.reasons)):
            found.append(entry.id)
    return found


def _is_called_right(amended: str | None) -> bool:
    return amended is not None and TIME_IS_RIGHT in json.loads(amended)


def _not_called_right(
    connection: sa.Connection, stream: Stream, withdrawn: Mapping[int, Placed]
) -> dict[int, Placed]:
    """Those stored readings whose time no person called right."""
    if not withdrawn:
        return {}
    amended = quarantine.amended_of(connection, stream.id, ranges_of(sorted(withdrawn)))
    return {seq: placed for seq, placed in withdrawn.items() if not _is_called_right(amended.get(seq))}
