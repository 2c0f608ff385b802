"""
Facts beside the summaries that judging housings needs, for one or for a whole fleet in a handful of queries.

Leaves to others: the assessment (`ingest.analysis.assessment`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.acceptance import CLEAN_ELEMENT, CleanNote
from cleanside.ingest.store.element_changes import EnteredChange, entered_change
from cleanside.ingest.store.fleet import HousingRow, TerminalRow
from cleanside.ingest.store.papers import NO_PAPERS, GaugeReading, Papers, papers_where

WAITS_US = 14 * 86_400 * 1_000_000  # numbers that a stream left open before that will hardly arrive (chosen)


@dataclass(frozen=True)
class Newest:
    """The last received stream of a housing's devices."""

    stream_id: int
    device_id: int
    last_heard_us: int
    waiting: int  # numbers that gateways of its devices appended and that have not arrived


@dataclass(frozen=True)
class LastMonitor:
    """The monitor that sat last on a housing on which none sits now."""

    device: str
    until_us: int
    who: str | None  # handle of whoever moved it, or took it off; None: not known
    machine: str | None  # to which it was moved then; None: it was taken off
    housing: str | None


@dataclass
class HousingSurroundings:
    """The facts beside the summaries of one housing."""

    terminals: list[TerminalRow] = field(default_factory=list)  # in order of validity
    changes: list[EnteredChange] = field(default_factory=list)  # entries about its elements, in time order
    device_ids: list[int] = field(default_factory=list)  # devices that sit on it now
    last_monitor: LastMonitor | None = None  # None: one sits there, or none ever did
    newest: Newest | None = None  # None: no reading ever arrived
    heard: list[sa.Row[Any]] = field(default_factory=list)  # streams of its devices
    hours_behind: int = 0  # hours of its devices that wait for the analysis
    behind_from_hour: int | None = None  # the earliest of them
    papers: Papers = NO_PAPERS  # what the shop knows of it
    gauges: list[GaugeReading] = field(default_factory=list)  # what people read there, in time order
    notes: list[CleanNote] = field(default_factory=list)  # what new elements read there, in time order


def of_housings(
    connection: sa.Connection, wanted: Sequence[HousingRow], now_us: int, *, whole_owner: bool
) -> dict[int, HousingSurroundings]:
    """
    The facts of each housing, by its id.

    whole_owner : `wanted` are all housings of one owner; then one query finds all rows by owner.
    """
    by_housing = {housing.id: HousingSurroundings() for housing in wanted}
    if whole_owner and wanted:
        _fill(connection, by_housing, now_us, "machines.owner_id = ?", (wanted[0].owner_id,))
        return by_housing
    for piece in dialect.in_lists(list(by_housing)):
        _fill(connection, by_housing, now_us, f"housings.id IN ({dialect.marks(piece)})", tuple(piece))
    return by_housing


# Plain SQL, because pages are requested often and building these queries takes longer than running them.
# `here` stands for the condition on housings.
_HOUSINGS = "JOIN housings ON housings.id = housing_id JOIN machines ON machines.id = housings.machine_id"
_TERMINALS = f"""
SELECT housing_id, {", ".join(f"terminals.{name}" for name in TerminalRow._fields)}
FROM terminals {_HOUSINGS} WHERE {{here}} ORDER BY valid_from_us
"""
_CHANGES = f"""
SELECT housing_id, {", ".join(f"element_changes.{name}" for name in EnteredChange._fields)}
FROM element_changes {_HOUSINGS} WHERE {{here}} ORDER BY changed_us, element_changes.id
"""
_GAUGES = f"""
SELECT gauge_readings.housing_id, {", ".join(f"gauge_readings.{name}" for name in GaugeReading._fields)}
FROM gauge_readings {_HOUSINGS} WHERE {{here}} ORDER BY at_us, gauge_readings.id
"""
_NOTES = f"""
SELECT hand_comparisons.housing_id, hand_comparisons.at_us, hand_comparisons.value_si
FROM hand_comparisons {_HOUSINGS} WHERE {{here}}
    AND hand_comparisons.subject = '{CLEAN_ELEMENT}' AND hand_comparisons.value_si > 0
ORDER BY hand_comparisons.at_us, hand_comparisons.id
"""
_SEATS = f"""
FROM assignments {_HOUSINGS} WHERE {{here}}
    AND (from_us IS NULL OR from_us <= ?) AND (until_us IS NULL OR until_us > ?)
"""
_SITTING = f"SELECT housing_id, device_id {_SEATS} ORDER BY assignments.id"
# The one that left last stands last.
_LEFT = f"""
SELECT assignments.housing_id, devices.name, assignments.until_us, assignments.until_by,
    to_machines.name, to_housings.name
FROM assignments {_HOUSINGS.replace("= housing_id", "= assignments.housing_id")}
JOIN devices ON devices.id = assignments.device_id
LEFT JOIN assignments AS went ON went.device_id = assignments.device_id
    AND went.from_us = assignments.until_us AND went.housing_id <> assignments.housing_id
    AND (went.until_us IS NULL OR went.until_us > went.from_us)
LEFT JOIN housings AS to_housings ON to_housings.id = went.housing_id
LEFT JOIN machines AS to_machines ON to_machines.id = to_housings.machine_id
WHERE {{here}} AND assignments.until_us <= ?
    AND (assignments.from_us IS NULL OR assignments.from_us < assignments.until_us)
ORDER BY assignments.until_us, assignments.id
"""
# A number above the mark that is in no island (stored or declared shed) has not arrived.
_HEARD = f"""
SELECT id, device_id, last_heard_us,
    CASE WHEN coalesce(appended_through, 0) > highest THEN appended_through ELSE highest END - mark
    - CASE WHEN island_count > 0
        THEN (SELECT coalesce(sum(last - first + 1), 0) FROM islands WHERE stream_id = streams.id) ELSE 0
    END AS waiting
FROM streams WHERE device_id IN (SELECT device_id {_SEATS})
"""
_BEHIND = f"""
SELECT streams.device_id, count(*), min(hours.hour) FROM hours JOIN streams ON streams.id = hours.stream_id
WHERE hours.revision > hours.analysed_revision AND streams.device_id IN (SELECT device_id {_SEATS})
GROUP BY streams.device_id
"""


def _fill(
    connection: sa.Connection,
    found: dict[int, HousingSurroundings],
    now_us: int,
    here: str,
    which: tuple[int, ...],
) -> None:
    # A whole owner also has housings that were not asked for: those of retired machines.
    for housing_id, *values in dialect.run(connection, _TERMINALS.format(here=here), which):
        if housing_id in found:
            found[housing_id].terminals.append(TerminalRow(*values))
    for housing_id, *values in dialect.run(connection, _CHANGES.format(here=here), which):
        if housing_id in found:
            found[housing_id].changes.append(entered_change(*values))
    for housing_id, *values in dialect.run(connection, _GAUGES.format(here=here), which):
        if housing_id in found:
            found[housing_id].gauges.append(GaugeReading(*values))
    for housing_id, *noted in dialect.run(connection, _NOTES.format(here=here), which):
        if housing_id in found:
            found[housing_id].notes.append(CleanNote(*noted))
    for housing_id, papers in papers_where(connection, here, which).items():
        if housing_id in found:
            found[housing_id].papers = papers
    sitting = (*which, now_us, now_us)
    on: defaultdict[int, list[int]] = defaultdict(list)
    for housing_id, device_id in dialect.run(connection, _SITTING.format(here=here), sitting):
        if housing_id in found:
            found[housing_id].device_ids.append(device_id)
            on[device_id].append(housing_id)
    for housing_id, *left in dialect.run(connection, _LEFT.format(here=here), (*which, now_us)):
        if housing_id in found and not found[housing_id].device_ids:
            found[housing_id].last_monitor = LastMonitor(*left)
    for row in dialect.run(connection, _HEARD.format(here=here), sitting):
        for housing_id in on[row.device_id]:
            found[housing_id].heard.append(row)
    for around in found.values():
        around.newest = _newest(around.heard)
    for device_id, many, first in dialect.run(connection, _BEHIND.format(here=here), sitting):
        for housing_id in on[device_id]:
            around = found[housing_id]
            around.hours_behind += many
            around.behind_from_hour = min(first, around.behind_from_hour or first)


def _newest(heard: Sequence[sa.Row[Any]]) -> Newest | None:
    """The last received stream; pending numbers count over all streams received not long before it."""
    if not heard:
        return None
    last = max(heard, key=lambda row: (row.last_heard_us, row.id))
    lately_us = last.last_heard_us - WAITS_US
    waiting = sum(max(0, int(row.waiting)) for row in heard if row.last_heard_us >= lately_us)
    return Newest(last.id, last.device_id, last.last_heard_us, waiting)
