"""
The order of service: two lanes in front of the writer, and when refused clients come back.

Promises: a small job never waits behind bulk: a live reading waits for the present commit only, and bulk goes
in commits that are short on this disk. Bulk is never starved: while both wait they take turns. Both lanes are
bounded in jobs and in memory. Refused clients get times to come back that follow each other as fast as bulk
is served, so that a fleet that reconnects at once returns in order and not as the next flood.
Leaves to others: doing the work, and locking (`ingest.writer.writer`).
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

QUICK_READINGS = 32  # at most these in a job of the quick lane; chosen: five minutes at 10 s
MAX_BULK_READINGS = 64_000  # readings that wait; some 40 MB, and well under a second of work; chosen
MAX_TOGETHER = 64  # jobs of each lane in one commit; chosen: beyond it the first of them wait too long
MAX_TOGETHER_READINGS = 8_000  # of bulk in one commit, where the disk takes them within BULK_COMMIT_S; chosen
MIN_TOGETHER_READINGS = 1_000  # and where it takes longer; chosen: below it the commit itself is the cost
BULK_COMMIT_S = 0.1  # longest wait of a live reading; chosen
SOONEST_S = 2  # shortest time to come back after a refusal
LONGEST_RETRY_S = 120  # and longest: a machine should not be silent for longer; chosen
#: At least so many are called a second. One called too early costs another refusal, some 0.2 ms; one called
#: too late leaves the server idle, and the rate seems low while the streams of a fleet are opened. Chosen
LEAST_CALLED_PER_S = 50.0
_SMOOTH = 0.2  # weight of the newest commit in the rate at which bulk is served; chosen
SHARE_OVER_S = 1.0  # how far back the share of bulk in the writer's time looks; chosen: some ten commits
MUCH_BULK = 0.3  # of the writer's time; chosen: a fleet in its ordinary work takes far less


class HasSize(Protocol):
    """A job that can wait in a lane."""

    @property
    def readings(self) -> int:
        """How many readings it brings; 0 for anything else."""
        ...


J = TypeVar("J", bound=HasSize)


def is_quick(readings: int) -> bool:
    """True where a job with so many readings has the quick lane. Pure."""
    return readings <= QUICK_READINGS


class Lanes(Generic[J]):
    """Waiting jobs, small ones in a lane of their own."""

    def __init__(self, *, max_jobs: int) -> None:
        """max_jobs : the most that may wait in either lane."""
        self.max_jobs = max_jobs
        self._quick: deque[J] = deque()
        self._bulk: deque[J] = deque()
        self._bulk_readings = 0
        self._together = MAX_TOGETHER_READINGS
        self._is_bulks_turn = False

    def __len__(self) -> int:
        return len(self._quick) + len(self._bulk)

    @property
    def quick_waits(self) -> bool:
        """Small jobs are waiting."""
        return bool(self._quick)

    @property
    def bulk_waits(self) -> bool:
        """Bulk is waiting."""
        return bool(self._bulk)

    @property
    def is_enough(self) -> bool:
        """True where what waits in a lane makes one commit."""
        most = max(len(self._quick), len(self._bulk))
        return most >= MAX_TOGETHER or self._bulk_readings >= self._together

    @property
    def is_bulk_full(self) -> bool:
        """True where no further bulk is taken. One job alone always fits, however large."""
        too_many = len(self._bulk) >= self.max_jobs
        return too_many or (bool(self._bulk) and self._bulk_readings >= MAX_BULK_READINGS)

    def put(self, job: J) -> bool:
        """Add a job; False where its lane is full."""
        if is_quick(job.readings):
            if len(self._quick) >= self.max_jobs:
                return False
            self._quick.append(job)
            return True
        if self.is_bulk_full:
            return False
        self._bulk.append(job)
        self._bulk_readings += job.readings
        return True

    def take(self) -> list[J]:
        """One commit's worth of one lane: the quick one, or bulk where that is empty or it is bulk's turn."""
        if self._quick and not (self._bulk and self._is_bulks_turn):
            self._is_bulks_turn = bool(self._bulk)
            return [self._quick.popleft() for _ in range(min(len(self._quick), MAX_TOGETHER))]
        self._is_bulks_turn = False
        jobs: list[J] = []
        readings = 0
        while self._bulk and len(jobs) < MAX_TOGETHER and readings < self._together:
            jobs.append(self._bulk.popleft())
            readings += jobs[-1].readings
        self._bulk_readings -= readings
        return jobs

    def served(self, readings: int, took_s: float) -> None:
        """Learn from a commit of bulk how many readings make one that is short enough."""
        fits = readings * BULK_COMMIT_S / max(took_s, 1e-3)
        wanted = self._together + _SMOOTH * (fits - self._together)
        self._together = int(min(max(wanted, MIN_TOGETHER_READINGS), MAX_TOGETHER_READINGS))


class Line:
    """When refused clients come back: one after the other, as fast as they are served."""

    def __init__(self, *, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        self._monotonic_s = monotonic_s
        self._rate_per_s = 1.0
        self._next_s = 0.0
        self._share = (0.0, 0.0)  # of the writer's time that bulk took, and when that was so [s]
        self._waits_since_s: float | None = None  # bulk was left waiting by the commit that ended then

    def served(self, jobs: int, took_s: float, *, more_waits: bool) -> None:
        """
        Learn how fast bulk is served, from a commit of it.

        more_waits : bulk is left. Until its commit ends all time counts, also what the processor does
        beside: a line that follows the commits alone is called sooner than it can be served.
        """
        now_s = self._monotonic_s()
        spent_s = took_s if self._waits_since_s is None else max(took_s, now_s - self._waits_since_s)
        self._waits_since_s = now_s if more_waits else None
        self._rate_per_s += _SMOOTH * (jobs / max(spent_s, 1e-3) - self._rate_per_s)
        self._share = (self._share_at(now_s) + 1 - math.exp(-spent_s / SHARE_OVER_S), now_s)

    def _share_at(self, now_s: float) -> float:
        share, was_s = self._share
        return share * math.exp(-(now_s - was_s) / SHARE_OVER_S)

    @property
    def is_much(self) -> bool:
        """Bulk took much of the writer's time of late."""
        return self._share_at(self._monotonic_s()) > MUCH_BULK

    @property
    def is_expected(self) -> bool:
        """Refused clients are still to come back."""
        return self._monotonic_s() < self._next_s

    def turn_s(self) -> int:
        """Whole seconds after which the next refused client should come back."""
        now_s = self._monotonic_s()
        step_s = 1 / max(self._rate_per_s, LEAST_CALLED_PER_S)
        self._next_s = min(max(self._next_s, now_s + SOONEST_S) + step_s, now_s + LONGEST_RETRY_S)
        return math.ceil(self._next_s - now_s)
