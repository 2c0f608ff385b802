"""
What neighbours by number show about each other's times, also where they arrive late.

Promises: the verdict follows the numbering, not the arrival. New readings are judged, and their neighbours
are judged again: a stored reading that is not believed now goes into quarantine, and one that was
quarantined for its neighbours alone is stored. A time that a person confirmed stays as it is.
Leaves to others: the two questions (`ingest.checking.outliers`, `ingest.checking.unset_runs`), quarantining
and storing (`ingest.quarantine.revising`). Readings without numbers have no neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import Doubt
from cleanside.ingest.checking.checks import Doubts
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.checking.outliers import look_for_outliers, outliers_among
from cleanside.ingest.checking.placed import Placed, arriving, judged_otherwise
from cleanside.ingest.checking.plausible_time import (
    CLOCK_UNSET,
    TIME_OUTLIER,
    clock_steps,
    outlier_doubt,
    start_of_built_us,
    steps_back,
    unset_doubt,
)
from cleanside.ingest.checking.unset_runs import UnsetRuns, look_at_runs
from cleanside.ingest.store.clock_steps import ClockStep
from cleanside.ingest.store.streams import Stream


@dataclass(slots=True)
class Neighbours:
    """What a batch shows about the readings next to it."""

    #: number -> why a stored reading is not believed now
    withdrawn: dict[int, Doubt] = field(default_factory=dict)
    #: quarantined entries whose reasons changed: to be judged again
    again: list[int] = field(default_factory=list)
    #: time of the reading with the highest number, if the last ones are in order; None: unknown
    tail_us: int | None = None
    #: steps back of the clock among readings that are believed
    steps: tuple[ClockStep, ...] = ()


def look(
    connection: sa.Connection,
    stream: Stream,
    incoming: Incoming,
    new: Sequence[int],
    numbers: Sequence[int],
    doubts: Doubts,
) -> Neighbours:
    """
    Judge the new readings of a batch, and what is next to them. Adds to `doubts`; writes nothing.

    new : their indexes. numbers : of all readings of the batch. doubts : index -> why it is not believed.
    """
    if _goes_on_in_time(stream, incoming, new, doubts):
        return Neighbours(tail_us=int(incoming.at_us[-1]))
    arrived = arriving(incoming.batch, new, numbers)
    outliers = look_for_outliers(connection, stream, arrived)
    for index in sorted(outliers.out):
        doubts.setdefault(index, []).append(outlier_doubt(int(incoming.at_us[index])))
    moved = dict.fromkeys(outliers.withdrawn, True) | dict.fromkeys(outliers.back, False)
    is_near = outliers.unset_is_near or any(d.code == CLOCK_UNSET for found in doubts.values() for d in found)
    runs = _runs(connection, stream, incoming, arrived if is_near else [], doubts, moved)
    withdrawn = {seq: outlier_doubt(placed.at_us) for seq, placed in outliers.withdrawn.items()}
    withdrawn |= {seq: unset_doubt(placed.at_us) for seq, placed in runs.withdrawn.items()}
    again = judged_otherwise(connection, stream, outliers.entries, TIME_OUTLIER)
    again += judged_otherwise(connection, stream, runs.entries, CLOCK_UNSET)
    tail_us = None if runs.goes_on else outliers.tail_us
    steps = _steps(outliers.lines, doubts, withdrawn)
    return Neighbours(withdrawn, again, tail_us, steps)


def _steps(
    lines: Sequence[Sequence[Placed]], doubts: Doubts, withdrawn: Mapping[int, Doubt]
) -> tuple[ClockStep, ...]:
    """Steps back that new readings show, or help to show, among those that are believed. Pure."""
    found = []
    for line in lines:
        believed = [one for one in line if one.entry_id is None and one.seq not in withdrawn]
        believed = [one for one in believed if one.in_batch is None or one.in_batch not in doubts]
        at_us = np.array([one.at_us for one in believed], dtype=np.int64)
        half_s = np.array([one.uncertainty_s for one in believed], dtype=np.float64)
        for index in clock_steps(at_us, half_s).tolist():
            if any(one.in_batch is not None for one in believed[index - 2 : index + 2]):
                before, after = believed[index - 1], believed[index]
                found.append(ClockStep(seq=after.seq, before_us=before.at_us, after_us=after.at_us))
    return tuple(found)


def _goes_on_in_time(stream: Stream, incoming: Incoming, new: Sequence[int], doubts: Doubts) -> bool:
    """True where nothing lies beside the batch but what its times go on from: none can be out of line."""
    seq = incoming.batch.seq
    if doubts or incoming.ready is None or len(new) != len(incoming.at_us):
        return False
    if not isinstance(seq, range) or seq[0] != stream.highest + 1:
        return False
    is_first = stream.highest == 0
    return (is_first or stream.tail_is_known) and not steps_back(
        incoming.at_us, None if is_first else stream.tail_us
    )


def look_again(
    connection: sa.Connection,
    stream: Stream,
    incoming: Incoming,
    numbers: Sequence[int],
    judged: Sequence[int],
    doubts: Doubts,
) -> None:
    """
    Judge some readings of a batch made of stored ones. Adds to `doubts`; writes nothing.

    numbers : of all readings of the batch. judged : indexes; a person confirmed the times of the others.
    """
    if not stream.is_numbered:
        return
    out = outliers_among(connection, stream, [numbers[index] for index in judged])
    for index in judged:
        if numbers[index] in out:
            doubts.setdefault(index, []).append(outlier_doubt(int(incoming.at_us[index])))
    _runs(connection, stream, incoming, arriving(incoming.batch, judged, numbers), doubts, {})


def _runs(
    connection: sa.Connection,
    stream: Stream,
    incoming: Incoming,
    arrived: Sequence[Placed],
    doubts: Doubts,
    moved: Mapping[int, bool],
) -> UnsetRuns:
    report = incoming.batch.gateway
    built = (report.built if report else None) or stream.gateway_built
    built_us = start_of_built_us(built, incoming.received_us)
    if built_us is None or not arrived:
        return UnsetRuns()
    codes = {index: {doubt.code for doubt in found} for index, found in doubts.items()}
    runs = look_at_runs(connection, stream, built_us, arrived, codes, moved)
    for index in sorted(runs.out):
        doubts.setdefault(index, []).append(unset_doubt(int(incoming.at_us[index])))
    return runs
