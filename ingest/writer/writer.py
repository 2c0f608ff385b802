"""
The one writer: a thread that commits the jobs of many requests in one transaction.

Promises: callers get a result after its commit, never before. One job that fails never fails the others of
its commit: the transaction is rolled back and each job runs alone. The queue is bounded; it refuses further
jobs at once (`TryAgain`), so an overloaded server says so instead of growing. A request waits so long and no
longer, and not at all for a commit that stands still (`ingest.writer.under_way`); what was committed without
an answer is there, and was never acknowledged.
Leaves to others: what a job does. It runs again after a failure of its group, so it must depend on the
database alone. A `Refused` means that the job wrote nothing. Who waits where, and who comes back when:
`ingest.writer.lanes`.

Splitting after a failure instead of a savepoint for each job: failures are rare, and a savepoint costs two
round trips on PostgreSQL.
"""

from __future__ import annotations

import asyncio
import logging
import math
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any, TypeVar

import psycopg
import sqlalchemy as sa

from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.store import durability
from cleanside.ingest.store import trouble as store_trouble
from cleanside.ingest.writer import under_way
from cleanside.ingest.writer.handing_in import HandingIn
from cleanside.ingest.writer.lanes import Lanes, Line, is_quick
from cleanside.ingest.writer.under_way import UnderWay

T = TypeVar("T")
log = logging.getLogger("cleanside.ingest")

MAX_WAITING = 256  # jobs in a lane; chosen
# A job alone may still block another process's group; each time one of the two succeeds.
CONTENDED_TRIES = 5
RETRY_AFTER_S = 2
PERSON_NEEDED_S = 30  # time for a person to free space or make the disk writable; chosen
TROUBLE_LASTS_S = 30.0  # after a refused batch; then any commit is proof again. Chosen
LOOKS_EVERY_S = 0.5  # a request that waits looks whether it still may; chosen


#: Takes several items on one connection, and gives for each its result or the Refused that it met.
JobGroup = Callable[[sa.Connection, Sequence[Any]], Sequence[Any]]


@dataclass(slots=True)
class _Job:
    work: JobGroup
    item: Any
    #: jobs of one commit run in this order, so that processes lock rows in one order
    order_key: str
    done: Future[Any] | asyncio.Future[Any]
    #: where `done` lives, if it belongs to an event loop
    loop: asyncio.AbstractEventLoop | None = None
    readings: int = 0

    def begin(self) -> bool:
        """False where no request waits any more: the client has gone."""
        if isinstance(self.done, Future):
            return self.done.set_running_or_notify_cancel()
        return not self.done.cancelled()


class Writer:
    """Runs jobs on the writing connection, all that wait at once in one commit."""

    def __init__(
        self,
        engine: sa.Engine,
        *,
        max_waiting: int = MAX_WAITING,
        awaits_standby: bool = False,
        stopping: threading.Event | None = None,
    ) -> None:
        """
        Take a writing engine; `start` begins to use it.

        max_waiting : jobs in a lane.
        awaits_standby : a commit has to be on a standby's disk too.
        stopping : set while the server stops; None: only `stop` sets it.
        """
        self._engine = engine
        self._under_way = UnderWay(awaits_standby=awaits_standby)
        self._lanes: Lanes[_Job] = Lanes(max_jobs=max_waiting)
        self._line = Line()
        self._wakes = threading.Condition()
        # Apart: a live reading must not wait until the loop has no more bulk to hand in.
        self._quick_comes, self._bulk_comes = HandingIn(self._wake), HandingIn(self._wake)
        self._takes_no_more = False
        self._stopping = stopping or threading.Event()
        self._thread = threading.Thread(target=self._work, name="writer", daemon=True)
        path = engine.url.database if engine.dialect.name == "sqlite" else None
        self._folder = None if path is None else Path(path).absolute().parent
        #: when the last commit was done [s of the monotonic clock]
        self.committed_s = -math.inf
        #: why the store took no commit, and when [s]; None: readings were committed since
        self.trouble: tuple[TryAgain | None, float] = (None, 0.0)
        #: since when no commit got through [s]; None: the last one did
        self._away_s: float | None = None
        #: called after each commit with its number of jobs and how long it took [s]
        self.on_commit: Callable[[int, float], None] = lambda _jobs, _seconds: None

    def start(self) -> None:
        """Begin to take jobs."""
        self._thread.start()

    def stop(self) -> None:
        """
        Finish the waiting jobs, then end. Later jobs are refused.

        A transaction that holds up the end is left alone with its jobs: the database ends it when this
        process has ended. None of it was acknowledged.
        """
        self._stopping.set()
        with self._wakes:
            self._takes_no_more = True
            self._wakes.notify()
        while self._thread.is_alive() and not self._holds_up_the_end:
            self._thread.join(LOOKS_EVERY_S)
        if self._thread.is_alive():
            log.warning("ingest.commit_left", extra={"reason": self.too_late().reason})

    @property
    def _holds_up_the_end(self) -> bool:
        """True where the server stops, and would wait too long for the transaction under way."""
        return self._stopping.is_set() and self._under_way.holds_up_the_end

    @property
    def is_alive(self) -> bool:
        """False once stopped."""
        return self._thread.is_alive() and not self._takes_no_more

    @property
    def waiting(self) -> int:
        """Jobs that wait."""
        return len(self._lanes)

    @property
    def bulk_waits(self) -> bool:
        """A backlog is waiting to be written, here or at clients that were asked to come back."""
        return self._lanes.bulk_waits or self._line.is_expected

    @property
    def is_in_bulk(self) -> bool:
        """A backlog is waiting, or came of late: work beside the requests should wait too."""
        return self.bulk_waits or self._line.is_much

    def require_room(self) -> None:
        """Raise TryAgain where bulk would be refused: cheap, before its bytes are read."""
        with self._wakes:
            if self._lanes.is_bulk_full:
                raise self._refusal()

    def submit(self, run: Callable[[sa.Connection], T]) -> Future[T]:
        """
        Hand in a job. The future gives its result after the commit, or raises what it raised.

        Raises TryAgain where the queue is full or the writer is stopping.
        """
        done: Future[T] = Future()
        with self._wakes:
            self._put(_Job(lambda connection, _: [_outcome(run, connection)], None, "", done))
            self._quick_comes.end()
            self._wakes.notify()
        return done

    def call(self, run: Callable[[sa.Connection], T]) -> T:
        """
        Hand in a job of a request and wait for it.

        Raises TryAgain as `submit` and `result` do, and at once where a commit stands still.
        """
        self.require_motion()
        return self.result(self.submit(run))

    def call_patiently(self, run: Callable[[sa.Connection], T]) -> T:
        """
        Hand in a job and wait for it, however long: for threads beside the requests.

        Raises TryAgain as `submit` does, and where the server stops and would wait too long.
        """
        done = self.submit(run)
        while not done.done() and not self._holds_up_the_end:
            with suppress(TimeoutError):
                done.exception(LOOKS_EVERY_S)
        if not done.done():
            done.cancel()
            raise self.too_late()
        return done.result()

    def result(self, done: Future[T]) -> T:
        """
        The result of what a request handed in.

        Raises TryAgain where it takes too long: what has not begun is dropped then, and what has begun may
        yet be committed.
        """
        began_s = time.monotonic()
        while not done.done():
            waited_s = time.monotonic() - began_s
            stands_still = self._under_way.stands_still
            is_late = stands_still or waited_s >= under_way.ANSWER_WITHIN_S
            if is_late and (done.cancel() or (stands_still and not done.done())):
                raise self.too_late(waited_s)
            with suppress(TimeoutError):
                done.exception(LOOKS_EVERY_S)
        return done.result()

    def require_motion(self) -> None:
        """Raise TryAgain where a commit stands still, and what is handed in now would wait for it."""
        if self._under_way.stands_still:
            raise self.too_late()

    def too_late(self, waited_s: float = 0.0) -> TryAgain:
        """What a request hears that waited so long. [s]"""
        return self._under_way.too_late(waited_s)

    def post(self, work: JobGroup, item: Any, *, order_key: str, readings: int = 0) -> asyncio.Future[Any]:
        """
        Hand in an item from an event loop. `work` gets the items that wait at the same time together.

        readings : how many it has; few of them do not wait behind many.
        Raises TryAgain as `submit` does. All results of a commit reach the loop in one step: waking it for
        each costs the writing thread its turn each time.
        """
        loop = asyncio.get_running_loop()
        done = loop.create_future()
        with self._wakes:
            self._put(_Job(work, item, order_key, done, loop, readings))
            (self._quick_comes if is_quick(readings) else self._bulk_comes).came(loop)
            if self._lanes.is_enough:
                self._wakes.notify()
        return done

    def _put(self, job: _Job) -> None:
        """Add a job. The caller has the lock."""
        if self._takes_no_more:
            raise TryAgain("writer_stopping", retry_after_s=RETRY_AFTER_S)
        if not self._lanes.put(job):
            raise self._refusal()

    def _wake(self) -> None:
        with self._wakes:
            self._wakes.notify()

    def _refusal(self) -> TryAgain:
        if self._under_way.stands_still:
            return self.too_late()
        return TryAgain("requests_wait", waiting=len(self._lanes), retry_after_s=self._line.turn_s())

    # ------------------------------------------------------------ the thread

    def _work(self) -> None:
        while not (self._takes_no_more and not self._lanes):
            if jobs := self._take():
                self._commit(jobs)

    def _take(self) -> list[_Job]:
        """Waiting jobs, up to one commit's worth; empty when it is time to end, or all clients have gone."""
        with self._wakes:
            self._wakes.wait_for(self._is_due)
            jobs = self._lanes.take()
        # Once running, a job cannot be cancelled any more.
        return sorted((job for job in jobs if job.begin()), key=lambda job: job.order_key)

    def _is_due(self) -> bool:
        """True where it is time for a commit, or to end."""
        quick_is_all = self._lanes.quick_waits and not self._quick_comes.is_on
        bulk_is_all = self._lanes.bulk_waits and not self._bulk_comes.is_on
        return self._takes_no_more or quick_is_all or bulk_is_all or self._lanes.is_enough

    def _commit(self, jobs: list[_Job], *, tries: int = CONTENDED_TRIES) -> None:
        began_s = time.perf_counter()
        try:
            outcomes = self._transact(jobs)
            self._note_success(jobs)
        except TryAgain as error:  # the database does not answer: each job alone would fail too
            self.trouble = (error, time.monotonic())
            self._away_s = self._away_s or time.monotonic()
            outcomes = [error] * len(jobs)
        except Exception as error:  # also a deadlock of two processes
            if len(jobs) > 1:
                log.warning(
                    "ingest.commit_split", extra={"jobs": len(jobs), "reason": store_trouble.words_of(error)}
                )
                for job in jobs:
                    self._commit([job])
                return
            contended = _sqlstate(error) in _CONTENDED
            if contended and tries > 1:
                self._commit(jobs, tries=tries - 1)
                return
            outcomes = [_contended(error) if contended or _sqlstate(error) in _HELD_UP else error]
        took_s = time.perf_counter() - began_s
        if not all(is_quick(job.readings) for job in jobs):
            self._learn(jobs, took_s)
        self.on_commit(len(jobs), took_s)
        _give_out(jobs, outcomes)

    def _note_success(self, jobs: list[_Job]) -> None:
        self.committed_s = time.monotonic()
        has_readings = any(job.readings for job in jobs)
        # A full disk has room for a small commit, or for one that writes nothing: no proof yet.
        is_proof = has_readings or self.committed_s - self.trouble[1] >= TROUBLE_LASTS_S
        if self._away_s is not None and is_proof:
            log.warning("ingest.store_back", extra={"away_s": round(self.committed_s - self._away_s)})
            self._away_s = None
        if has_readings:
            self.trouble = (None, 0.0)

    def _learn(self, jobs: list[_Job], took_s: float) -> None:
        with self._wakes:
            self._line.served(len(jobs), took_s, more_waits=self._lanes.bulk_waits)
            self._lanes.served(sum(job.readings for job in jobs), took_s)

    def _transact(self, jobs: list[_Job]) -> list[Any]:
        outcomes: list[Any] = []
        self._under_way.begin()
        try:
            with (
                as_our_errors(standing_in_the_way=True, folder=self._folder),
                self._engine.begin() as connection,
            ):
                for work, alike in groupby(jobs, key=lambda job: job.work):
                    outcomes += work(connection, [job.item for job in alike])
                commit = durability.forget_warnings(connection)
                self._under_way.commit()
        finally:
            self._under_way.end()
        durability.require_confirmed(commit)
        return outcomes


def _contended(error: Exception) -> TryAgain:
    again = TryAgain("streams_contended", retry_after_s=RETRY_AFTER_S, code="store_unavailable")
    again.__cause__ = error
    return again


def _outcome(run: Callable[[sa.Connection], Any], connection: sa.Connection) -> Any:
    try:
        return run(connection)
    except Refused as refusal:  # raised before anything was written
        return refusal


def _give_out(jobs: list[_Job], outcomes: Sequence[Any]) -> None:
    by_loop: dict[asyncio.AbstractEventLoop, list[tuple[Any, Any]]] = {}
    for job, outcome in zip(jobs, outcomes, strict=True):
        if job.loop is None:
            _set(job.done, outcome)
        else:
            by_loop.setdefault(job.loop, []).append((job.done, outcome))
    for loop, pairs in by_loop.items():
        with suppress(RuntimeError):  # the loop has ended: no caller waits for these any more
            loop.call_soon_threadsafe(_set_all, pairs)


def _set_all(pairs: list[tuple[Any, Any]]) -> None:
    for done, outcome in pairs:
        if not done.done():
            _set(done, outcome)


def _set(done: Any, outcome: Any) -> None:
    if isinstance(outcome, BaseException):
        done.set_exception(outcome)
    else:
        done.set_result(outcome)


#: The database does not answer, or is overloaded or full; a COPY and `dialect.run` use the driver directly,
#: hence its errors too.
_AWAY = (
    sa.exc.OperationalError,
    sa.exc.InterfaceError,
    sa.exc.TimeoutError,
    psycopg.OperationalError,
    psycopg.InterfaceError,
    sqlite3.OperationalError,
)


#: PostgreSQL rolled a transaction back because of others: it may run again at once.
_CONTENDED = ("40001", "40P01")
#: a lock or a statement took too long: it may concern one job alone, so each runs by itself; that job gets
#: TryAgain
_HELD_UP = ("55P03", "57014")
#: undefined_table: another database, or an empty one, took the place of the one checked at the start
_NO_TABLE = "42P01"


def _sqlstate(error: Exception) -> str | None:
    return getattr(getattr(error, "orig", error), "sqlstate", None)


@contextmanager
def as_our_errors(*, standing_in_the_way: bool = False, folder: Path | None = None) -> Iterator[None]:
    """
    The one place that turns the drivers' errors into ours.

    folder : the folder of a SQLite file, to recognise a full disk; None: not known, or PostgreSQL.
    standing_in_the_way : leave errors of contention as they are, for callers that can run the jobs again or
    apart.
    """
    try:
        yield
    except (*_AWAY, sa.exc.ProgrammingError, psycopg.ProgrammingError) as error:
        if not isinstance(error, _AWAY) and _sqlstate(error) != _NO_TABLE:
            raise
        if standing_in_the_way and _sqlstate(error) in (*_CONTENDED, *_HELD_UP):
            raise
        code = store_trouble.code_of(error, folder)
        log.warning(f"ingest.{code}", extra={"reason": store_trouble.words_of(error)})
        wait_s = {} if code == store_trouble.STORE_UNAVAILABLE else {"retry_after_s": PERSON_NEEDED_S}
        raise TryAgain(code, code=code, **wait_s) from error
