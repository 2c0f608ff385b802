"""
Readings whose time does not fit their neighbours by number, also where neighbours arrive late.

Promises: the verdict on a reading depends on the times, as sent, of the two nearest readings on either side
by number. Stored and quarantined readings count alike, so every order of arrival gives the same verdict. New
readings are judged with their neighbours, and the neighbours are judged again.
Leaves to others: when a time is out of line (`ingest.checking.plausible_time`), the consequences
(`ingest.checking.neighbours`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.ingest.checking.placed import CONTEXT, Placed, clusters, in_order, there, with_persons_word
from cleanside.ingest.checking.plausible_time import TIME_OUTLIER, out_of_line, steps_back
from cleanside.ingest.store.marks import Range
from cleanside.ingest.store.streams import Stream

RESTS_ON = CONTEXT // 2  # readings on either side that a verdict depends on


@dataclass(slots=True)
class Outliers:
    """Readings with a time out of line, among those that were judged."""

    #: indexes in the batch
    out: set[int] = field(default_factory=set)
    #: number -> stored reading
    withdrawn: dict[int, Placed] = field(default_factory=dict)
    #: quarantined entry -> is it one
    entries: dict[int, bool] = field(default_factory=dict)
    #: numbers of quarantined readings that were out of line, and are not now
    back: set[int] = field(default_factory=set)
    #: a reading of a clock that was never set is among the stored readings near by
    unset_is_near: bool = False
    #: time of the reading with the highest number, if the last ones are in order; None: unknown
    tail_us: int | None = None
    #: what was judged with its context: of each line every reading that the server has, in order of number
    lines: list[list[Placed]] = field(default_factory=list)


def look_for_outliers(connection: sa.Connection, stream: Stream, arrived: Sequence[Placed]) -> Outliers:
    """Judge readings that arrived, in order of number, and their neighbours. Writes nothing."""
    outliers = Outliers(tail_us=stream.tail_us if stream.tail_is_known else None)
    for first, last in clusters([placed.seq for placed in arrived]):
        near = there(connection, stream.id, first, last)
        outliers.unset_is_near |= any(placed.is_unset for placed in near)
        line = in_order([*near, *arrived])  # complete from the lowest to the highest number near by
        _judge(line, _judged_again(line, first, last), outliers)
        bounds = min([first, *(one.seq for one in near)]), max([last, *(one.seq for one in near)])
        outliers.lines.append([one for one in line if bounds[0] <= one.seq <= bounds[1]])
        if sum(placed.seq > last for placed in near) < CONTEXT:  # these readings reach the end of the stream
            outliers.tail_us = _tail_us(line)
    stored = with_persons_word(connection, stream, list(outliers.withdrawn.values()))
    outliers.withdrawn = {placed.seq: placed for placed in stored if not placed.is_right}
    return outliers


def outliers_among(connection: sa.Connection, stream: Stream, numbers: Sequence[int]) -> set[int]:
    """Of these numbers, all of which the server has, those whose times are out of line."""
    numbers_out: set[int] = set()
    for first, last in clusters(sorted(numbers)):
        line = there(connection, stream.id, first, last)
        numbers_out |= {placed.seq for placed, is_out in zip(line, _verdicts(line), strict=True) if is_out}
    return numbers_out & set(numbers)


def _judged_again(line: Sequence[Placed], first: int, last: int) -> Range:
    """Lowest and highest number that is judged: numbers further out are context."""
    below = [placed.seq for placed in line if placed.seq < first][-RESTS_ON:]
    above = [placed.seq for placed in line if placed.seq > last][:RESTS_ON]
    return min([*below, first]), max([*above, last])


def _verdicts(line: Sequence[Placed]) -> npt.NDArray[np.bool_]:
    at_us = np.array([placed.at_us for placed in line], dtype=np.int64)
    return out_of_line(at_us, np.array([placed.uncertainty_s for placed in line], dtype=np.float64))


def _judge(line: Sequence[Placed], judged: Range, found: Outliers) -> None:
    for placed, is_out in zip(line, _verdicts(line).tolist(), strict=True):
        if not judged[0] <= placed.seq <= judged[1]:
            continue
        if placed.entry_id is not None:
            found.entries[placed.entry_id] = is_out
            if not is_out and TIME_OUTLIER in placed.codes:
                found.back.add(placed.seq)
        elif is_out and placed.in_batch is not None:
            found.out.add(placed.in_batch)
        elif is_out:
            found.withdrawn[placed.seq] = placed


def _tail_us(line: Sequence[Placed]) -> int | None:
    last = np.array([placed.at_us for placed in line[-RESTS_ON - 1 :]], dtype=np.int64)
    return None if steps_back(last) else int(last[-1])
