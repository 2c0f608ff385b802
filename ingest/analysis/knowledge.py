"""
Fleet knowledge of each owner: learned on a schedule, stored with a number, the same for all processes.

Promises: one owner's lives never affect another owner's forecasts. One owner's failure stops no other: it is
logged and shown, the previous snapshot stays in use, and learning tries again after a pause that doubles. A
snapshot is fitted before its first use and stored with its fit, so no request waits for a fit. Each housing
is studied by it before that use too, in pieces that stand back for intake. A fleet without new summaries is
not learned again. Of several processes one learns from a fleet at a time (a lease), the others use what it
learned.
Leaves to others: learning (`ingest.restriction.learn_fleet`), the thread (`learner`).
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import (
    Judge,
    SnapshotInUse,
    facts_of,
    named,
    reference_of,
    terminal_at,
)
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.summarising import stand_back
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.restriction import (
    FleetKnowledge,
    Labelled,
    Life,
    MachineLooks,
    Summaries,
    Taught,
    collect_nearby,
    collect_sent,
    collect_shortfalls,
    housing_teaches,
    learn_fleet,
)
from cleanside.ingest.store import fleet, snapshots
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.surroundings import HousingSurroundings, of_housings
from cleanside.ingest.writer.lease import Lease
from cleanside.ingest.writer.resources import Resources

log = logging.getLogger("cleanside.ingest")

LEAST_PAUSE_S = 2.0  # between two learnings; chosen so that a new fleet sees its first lives soon
HOUSINGS_AT_ONCE = 20  # over one connection, whose time is limited; chosen: seconds on a small computer
NOTHING_LEARNED = SnapshotInUse(0, FleetKnowledge())  # index: before the first snapshot
PAUSE_TIMES = 20.0  # a learning takes at most a twentieth of the time; chosen
LEARNING_LEASE_US = 120_000_000  # longer than a fit; after a kill another process learns then; chosen
LEARNED_ELSEWHERE_S = 5.0  # then it looks what another process has learned; chosen
FAILED_PAUSE_S, LONGEST_FAILED_PAUSE_S = 60.0, 3_600.0  # the same data would mostly fail again; chosen


#: works something out of an owner by a snapshot
BeforeUse = Callable[[Resources, int, SnapshotInUse], None]


def nothing_first(*_: object) -> None:
    """Nothing is worked out before a snapshot is used."""


class Snapshots:
    """The snapshot of each owner that this process uses."""

    def __init__(self, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._monotonic_s = monotonic_s
        self._in_use: set[int] = set()  # owners whose housings were studied by what is known, or a newer
        self._known: dict[int, SnapshotInUse] = {}
        self._not_before_s: dict[int, float] = {}
        self._learned_from: dict[int, int] = {}
        self._failures: dict[int, int] = {}  # owner -> learnings that failed in a row
        self._leases: dict[int, Lease] = {}
        self._lock = threading.Lock()

    def of(self, connection: sa.Connection, owner_id: int) -> SnapshotInUse:
        """
        The snapshot in use; read from the database where this process has none yet.

        A snapshot of another release has no fit of this code. No request waits for one: forecasts are wide
        until `refresh` has fitted it.
        """
        known = self._known.get(owner_id)
        if known is not None:
            return known
        with self._lock:  # one thread reads, the others wait for it
            if owner_id not in self._known:
                snapshot = _read(connection, owner_id)
                is_fitted = snapshot.knowledge.fitted is not None
                self._known[owner_id] = snapshot if is_fitted else NOTHING_LEARNED
            return self._known[owner_id]

    def refresh(
        self,
        resources: Resources,
        memory: Memory,
        *,
        at_once: bool = False,
        before_use: BeforeUse | None = nothing_first,
    ) -> None:
        """
        Load what other processes learned, and learn from fleets with new summaries.

        at_once : do not wait for the schedule, or for another process that learns.
        before_use : what is worked out by a snapshot beside the studies, before requests use it; None: no
            request comes to this process, so no study is made either.
        """
        with resources.reading() as connection:
            owners = fleet.every_owner(connection)
        for owner_id in owners:
            if resources.stopping.is_set():
                return
            try:
                self._refresh(resources, memory, owner_id, at_once=at_once, before_use=before_use)
            except (TryAgain, sa.exc.SQLAlchemyError):  # the database, for all of them
                raise
            except Exception:
                log.exception("ingest.learning_failed", extra={"owner": owner_id})
                self._note_failure(owner_id, resources.clock())

    @property
    def failing(self) -> int:
        """Owners whose last learning failed in this process."""
        return len(self._failures)

    def _note_failure(self, owner_id: int, now_us: int) -> None:
        """Keep the previous snapshot, note the failure, and try again later."""
        many = self._failures[owner_id] = self._failures.get(owner_id, 0) + 1
        pause_s = min(FAILED_PAUSE_S * 2.0 ** (many - 1), LONGEST_FAILED_PAUSE_S)
        self._not_before_s[owner_id] = self._monotonic_s() + pause_s
        self._known[owner_id] = replace(self._known.get(owner_id, NOTHING_LEARNED), failed_us=now_us)

    def _refresh(
        self,
        resources: Resources,
        memory: Memory,
        owner_id: int,
        *,
        at_once: bool,
        before_use: BeforeUse | None,
    ) -> None:
        began_s = self._monotonic_s()
        if not at_once and began_s < self._not_before_s.get(owner_id, 0.0):
            return
        with resources.reading() as connection:
            newest = snapshots.newest(connection, owner_id)
            number = newest.number if newest is not None else 0
            known = self.of(connection, owner_id)
            is_newer = number > known.number
            if is_newer:
                snapshot = _read(connection, owner_id)
                known = replace(snapshot, knowledge=_fit(snapshot.knowledge))
            revisions = snapshots.revisions_of(connection, owner_id)
        if is_newer or owner_id not in self._in_use:  # learned elsewhere, or this process has just started
            self._use(resources, memory, owner_id, known, before_use)
        if revisions == self._learned_from.get(owner_id, 0):
            return
        if not at_once and not self._is_ours(resources, owner_id):
            self._not_before_s[owner_id] = self._monotonic_s() + LEARNED_ELSEWHERE_S
            return
        learned = learn(
            resources, memory, owner_id, known.knowledge, keep=lambda: self._is_ours(resources, owner_id)
        )
        if not learned.teaches_as(known.knowledge):
            known = self._save(resources, owner_id, number, _fit(learned)) or known
        self._use(resources, memory, owner_id, replace(known, failed_us=None), before_use)
        self._learned_from[owner_id] = revisions
        self._failures.pop(owner_id, None)
        took_s = self._monotonic_s() - began_s
        self._not_before_s[owner_id] = self._monotonic_s() + max(LEAST_PAUSE_S, PAUSE_TIMES * took_s)

    def _is_ours(self, resources: Resources, owner_id: int) -> bool:
        """Take or keep the lease on learning from this fleet. On SQLite there is no other process."""
        if resources.is_sqlite:
            return True
        if owner_id not in self._leases:
            self._leases[owner_id] = Lease(resources, f"learner:{owner_id}", LEARNING_LEASE_US)
        return self._leases[owner_id].take()

    def give_back(self) -> None:
        """Let another process learn, at once."""
        for lease in self._leases.values():
            lease.give_back()

    def _use(
        self,
        resources: Resources,
        memory: Memory,
        owner_id: int,
        known: SnapshotInUse,
        before_use: BeforeUse | None,
    ) -> None:
        """Study each housing by a snapshot, then use it: requests find the result in memory."""
        if before_use is not None:
            self._study_all(resources, memory, owner_id, known)
            before_use(resources, owner_id, known)
        self._known[owner_id] = known
        self._in_use.add(owner_id)

    def _study_all(self, resources: Resources, memory: Memory, owner_id: int, known: SnapshotInUse) -> None:
        def study(connection: sa.Connection, piece: Sequence[HousingRow]) -> None:
            judge = Judge(connection, resources, memory, known, working_out=WorkingOut(waits=False))
            # By itself a housing costs the queries of the whole piece, and one over all keys of its owner.
            view = judge.looking_at(piece, whole_owner=False)
            for housing in piece:
                if resources.stopping.is_set():
                    return
                view(housing)

        in_pieces(resources, owner_id, study)

    def _save(
        self, resources: Resources, owner_id: int, number: int, learned: FleetKnowledge
    ) -> SnapshotInUse | None:
        """Store what was learned; None: another process stored its own first."""
        content, now_us = json.dumps(learned.as_record()), resources.clock()
        is_saved = resources.writer.call_patiently(
            lambda c: snapshots.put(c, owner_id, number, now_us, content)
        )
        if not is_saved:
            return None
        log.info("ingest.fleet_learned", extra={"owner": owner_id, "lives": len(learned.lives)})
        return SnapshotInUse(number + 1, learned, now_us)


def in_pieces(
    resources: Resources, owner_id: int, look: Callable[[sa.Connection, Sequence[HousingRow]], None]
) -> None:
    """
    Look at all housings of an owner, `HOUSINGS_AT_ONCE` over one connection; intake goes first between.

    Raises TryAgain while the server stops.
    """
    done: set[int] = set()
    while True:
        stand_back(lambda: resources.writer.is_in_bulk, resources.stopping.wait)
        if resources.stopping.is_set():
            raise TryAgain("server_stopping")
        with resources.reading() as connection:
            left = [row for row in fleet.every_housing(connection, owner_id) if row.id not in done]
            look(connection, left[:HOUSINGS_AT_ONCE])
        done |= {row.id for row in left[:HOUSINGS_AT_ONCE]}
        if len(left) <= HOUSINGS_AT_ONCE:
            return


def learn(
    resources: Resources,
    memory: Memory,
    owner_id: int,
    before: FleetKnowledge,
    *,
    keep: Callable[[], object] = lambda: None,
) -> FleetKnowledge:
    """
    Learn from an owner's fleet: lives complete and running, ambient pressure, what is sent, and shortfalls.

    before : the previous snapshot; its usual clean levels help to distinguish a new element from a torn one.
    keep : called now and then while it works.
    """
    now_us = resources.clock()
    lives: list[Life] = []
    looks: list[MachineLooks] = []
    recent: list[tuple[str, Summaries]] = []
    labelled: list[Labelled] = []

    def look(connection: sa.Connection, piece: Sequence[HousingRow]) -> None:
        keep()
        around = of_housings(connection, piece, now_us, whole_owner=False)
        for housing in piece:
            summaries = memory.summaries(connection, housing)
            recent.append((housing.machine, summaries))
            labelled.append(Labelled(housing.machine, housing.kind, summaries, *reference_of(housing)))
            taught = _taught(housing, summaries, around[housing.id], before, now_us)
            lives.extend(taught.lives)
            looks.extend(() if taught.looks is None else (taught.looks,))

    in_pieces(resources, owner_id, look)
    nearby, sent = collect_nearby(recent), collect_sent(recent)
    return learn_fleet(lives, nearby, sent, looks=looks, shortfalls=collect_shortfalls(labelled))


def _taught(
    housing: HousingRow,
    summaries: Summaries,
    around: HousingSurroundings,
    before: FleetKnowledge,
    now_us: int,
) -> Taught:
    terminal = terminal_at(around.terminals, now_us)
    if terminal is None:
        return Taught([], None)
    facts = facts_of(housing, terminal, around.changes, around.gauges, before, around.notes)
    try:
        return housing_teaches(summaries, facts)
    except Exception:  # one housing must not keep a fleet from learning
        log.exception("ingest.study_failed", extra=named(housing))
        return Taught([], None)


def _read(connection: sa.Connection, owner_id: int) -> SnapshotInUse:
    if snapshots.newest(connection, owner_id) is None:
        return NOTHING_LEARNED
    snapshot, content = snapshots.content_of(connection, owner_id)
    return SnapshotInUse(
        snapshot.number, FleetKnowledge.from_record(json.loads(content)), snapshot.learned_us
    )


def _fit(knowledge: FleetKnowledge) -> FleetKnowledge:
    """The snapshot, fitted now and not at its first use, which is a request."""
    assert knowledge.forecaster is not None
    return knowledge
