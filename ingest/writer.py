"""
The one writer: a thread that commits what many requests wait for in one transaction.

Promises: a result is given out after its commit, never before. One job that fails never fails the others
of its commit: the transaction is taken back and each is run alone. The queue is bounded; what does not
fit is refused at once (`TryAgain`), so that an overloaded server says so instead of growing.
Leaves to others: what a job does; it is run again after a failure of its group, so it must rest on the
database alone.

Splitting after a failure instead of a savepoint for each job: failures are rare, and a savepoint costs two
round trips on PostgreSQL.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import sqlalchemy as sa

from ingest.errors import Refused, TryAgain

T = TypeVar("T")
log = logging.getLogger("cleanside.ingest")

MAX_WAITING = 256  # jobs; with 500 readings each some 100 MB at most; chosen
MAX_TOGETHER = 64  # jobs in one commit; beyond it the first of them wait too long; chosen
RETRY_AFTER_S = 2


@dataclass(slots=True)
class _Job:
    run: Callable[[sa.Connection], Any]
    #: jobs of one commit run in this order, so that processes lock rows in one order
    order_key: str
    done: Future[Any]


class Writer:
    """Runs jobs on the writing connection, together where they wait together."""

    def __init__(self, engine: sa.Engine, *, max_waiting: int = MAX_WAITING) -> None:
        self._engine = engine
        self._max_waiting = max_waiting
        self._waiting: deque[_Job] = deque()
        self._wakes = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._work, name="writer", daemon=True)
        #: commits made, and jobs they carried: their ratio is what group commit saves
        self.commits = 0
        self.jobs = 0

    def start(self) -> None:
        """Begin to take jobs."""
        self._thread.start()

    def stop(self) -> None:
        """Finish what waits, then end. Later jobs are refused."""
        with self._wakes:
            self._stopping = True
            self._wakes.notify()
        if self._thread.ident is not None:
            self._thread.join()

    @property
    def is_alive(self) -> bool:
        """False once stopped."""
        return self._thread.is_alive() and not self._stopping

    @property
    def waiting(self) -> int:
        """Jobs that wait."""
        return len(self._waiting)

    def submit(self, run: Callable[[sa.Connection], T], *, order_key: str = "") -> Future[T]:
        """
        Hand in a job. The future gives its result after the commit, or raises what it raised.

        Raises TryAgain where the queue is full or the writer is stopping.
        """
        job = _Job(run, order_key, Future())
        with self._wakes:
            if self._stopping:
                raise TryAgain("the server is stopping; send again shortly", retry_after_s=RETRY_AFTER_S)
            if len(self._waiting) >= self._max_waiting:
                raise TryAgain(
                    f"{self._max_waiting} requests wait for the disk already; send again shortly",
                    retry_after_s=RETRY_AFTER_S,
                )
            self._waiting.append(job)
            self._wakes.notify()
        return job.done

    def call(self, run: Callable[[sa.Connection], T]) -> T:
        """Hand in a job and wait for it."""
        return self.submit(run).result()

    # ------------------------------------------------------------ the thread

    def _work(self) -> None:
        while not (self._stopping and not self._waiting):
            if jobs := self._take():
                self._commit(jobs)

    def _take(self) -> list[_Job]:
        """What waits, up to one commit's worth; empty when it is time to end, or all have gone."""
        with self._wakes:
            self._wakes.wait_for(lambda: self._waiting or self._stopping)
            many = min(len(self._waiting), MAX_TOGETHER)
            jobs = [self._waiting.popleft() for _ in range(many)]
        # A request whose client has gone is left out; once running, a job cannot be called off any more.
        running = [job for job in jobs if job.done.set_running_or_notify_cancel()]
        return sorted(running, key=lambda job: job.order_key)

    def _commit(self, jobs: list[_Job]) -> None:
        try:
            outcomes = self._transact(jobs)
        except Exception as error:
            if len(jobs) > 1:
                log.warning("ingest.commit_split", extra={"jobs": len(jobs), "reason": str(error)[:200]})
                for job in jobs:
                    self._commit([job])
                return
            outcomes = [error]
        self.commits += 1
        self.jobs += len(jobs)
        for job, outcome in zip(jobs, outcomes, strict=True):
            if isinstance(outcome, BaseException):
                job.done.set_exception(outcome)
            else:
                job.done.set_result(outcome)

    def _transact(self, jobs: list[_Job]) -> list[Any]:
        outcomes: list[Any] = []
        with as_our_errors(), self._engine.begin() as connection:
            for job in jobs:
                try:
                    outcomes.append(job.run(connection))
                except Refused as refusal:  # raised before anything was written
                    outcomes.append(refusal)
        return outcomes


@contextmanager
def as_our_errors() -> Iterator[None]:
    """The one place where the drivers' errors become ours."""
    try:
        yield
    except (sa.exc.OperationalError, sa.exc.InterfaceError, sa.exc.TimeoutError) as error:
        log.warning("ingest.store_unavailable", extra={"reason": str(error)[:200]})
        raise TryAgain(
            "the database does not take it now; nothing is acknowledged, send again later",
            code="store_unavailable",
        ) from error
