"""
Dates that learning moved: what they would be by what the fleet had taught a day ago, from the same readings.

Promises: readings cause no move that is said here, because both dates come from the same. A move is said
where the likely date now lies outside the early and late date as they would have been.
Leaves to others: which snapshots are kept (`ingest.store.snapshots`), the words (the console).
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import Judge, SnapshotInUse, View
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.restriction import FleetKnowledge, Quantiles, Summaries
from cleanside.ingest.store import snapshots
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.writer.resources import Resources

SAID_FOR_US = 7 * 86_400_000_000  # a move of long ago is no news; chosen
MOST_SNAPSHOTS_KEPT = 8  # snapshots, of some MB each; chosen


@dataclass(frozen=True, kw_only=True)
class MovedDate:
    """A likely date that learning moved. Instants in seconds since 1970 UTC."""

    since_s: float  # by what the fleet had taught until then
    from_s: float
    to_s: float
    more_lives: int  # learned from since; below 1: other ones, or more of the same


class _Apart(Memory):
    """Studies by earlier snapshots, which crowd out none by the present one; summaries are shared."""

    def __init__(self, shared: Memory) -> None:
        super().__init__()
        self._shared = shared

    def summaries(self, connection: sa.Connection, housing: HousingRow) -> Summaries:
        return self._shared.summaries(connection, housing)


class MovedDates:
    """Finds the dates that learning moved; remembers the snapshots that it compares with."""

    def __init__(self, memory: Memory) -> None:
        self._memory = _Apart(memory)
        self._known: dict[tuple[int, int], SnapshotInUse | None] = {}

    def of(self, connection: sa.Connection, resources: Resources, seen: View) -> MovedDate | None:
        """What learning moved of the date of a housing; None: nothing beyond its stated width."""
        now_us, owner_id = round(seen.assessment.now_s * 1_000_000), seen.housing.owner_id
        found = snapshots.earlier(connection, owner_id, now_us - SAID_FOR_US)
        if seen.assessment.due_s is None or found is None or found[0] >= seen.snapshot.number:
            return None
        if seen.assessment.study.suspicions:  # figures that contradict each other explain no date
            return None
        earlier = self._snapshot(connection, owner_id, found[0])
        if earlier is None:
            return None
        judge = Judge(connection, resources, self._memory, earlier, now_us=now_us)
        before = judge.view(seen.housing).assessment.due_s
        if before is None or not is_moved(before, seen.assessment.due_s):
            return None
        return MovedDate(
            since_s=found[1] / 1_000_000,
            from_s=before.p50,
            to_s=seen.assessment.due_s.p50,
            more_lives=len(seen.snapshot.knowledge.lives) - len(earlier.knowledge.lives),
        )

    def _snapshot(self, connection: sa.Connection, owner_id: int, number: int) -> SnapshotInUse | None:
        """A snapshot that is kept; None: it has no fit of this code, and no request waits for one."""
        if (owner_id, number) not in self._known:
            content = snapshots.earlier_content(connection, owner_id, number)
            known = FleetKnowledge() if content is None else FleetKnowledge.from_record(json.loads(content))
            while len(self._known) >= MOST_SNAPSHOTS_KEPT:
                self._known.pop(next(iter(self._known)), None)
            found = None if known.fitted is None else SnapshotInUse(number, known)
            self._known[owner_id, number] = found
        return self._known[owner_id, number]


def is_moved(before: Quantiles, after: Quantiles) -> bool:
    """True where the likely date lies outside what was stated: the early and the late date."""
    return not before.p10 <= after.p50 <= before.p90
