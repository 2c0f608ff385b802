"""Rows of many threads become one commit."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from cleanside.gateway.errors import TryAgain
from cleanside.gateway.spool.append import _Ticket
from cleanside.gateway.spool.new_rows import UnwrittenRows
from cleanside.gateway.spool.queue import Spool
from tests.unit.gateway.helpers import numbers, open_spool, reading, readings
from tests.unit.gateway.simulated_disk import Disk

THREADS = 8


@pytest.fixture
def disk() -> Iterator[Disk]:
    made = Disk()
    yield made
    made.fault = lambda _number, _what: None
    made.unregister()


def feed_at_once(spool: Spool, count: int) -> list[BaseException]:
    """Each thread appends `count` readings, one a call; returns what they raised."""
    raised: list[BaseException] = []

    def feed(base: int) -> None:
        for number in range(base, base + count):
            try:
                spool.append([reading(number)])
            except TryAgain as error:
                raised.append(error)

    threads = [threading.Thread(target=feed, args=(thread * count,)) for thread in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads)
    return raised


def test_on_a_slow_disk_appends_that_wait_together_commit_together(tmp_path: Path, disk: Disk) -> None:
    with open_spool(tmp_path / "a", vfs=disk.vfs) as spool:
        spool.append([reading(0)])  # the unit set is known
        syncs = 0

        def slow(_: int, what: str) -> None:
            nonlocal syncs
            if what == "sync":
                syncs += 1
                threading.Event().wait(0.003)  # what a card may take

        disk.fault = slow
        assert feed_at_once(spool, 20) == []
        assert spool.state().backlog == THREADS * 20 + 1
        # Half of the threads append while the other half is committed: about four share a sync.
        assert syncs <= THREADS * 20 / 2.5


def test_a_commit_that_fails_fails_for_all_that_shared_it_and_the_next_one_works(
    tmp_path: Path, disk: Disk
) -> None:
    with open_spool(tmp_path / "a", vfs=disk.vfs) as spool:
        spool.append([reading(0)])
        failures = iter([False, True] * 500)

        def flaky(_: int, what: str) -> None:
            if what == "sync" and next(failures):
                raise apsw.IOError("sync failed")

        disk.fault = flaky
        raised = feed_at_once(spool, 20)
        disk.fault = lambda _number, _what: None
        assert 0 < len(raised) < THREADS * 20
        held = numbers(spool.peek(max_readings=5000))
        assert len(held) == len(set(held[1:])) + 1 == THREADS * 20 + 1 - len(raised)


def test_a_caller_that_was_interrupted_does_not_hold_up_those_behind_it(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append([reading(0)])  # the unit set is known: an append needs the disk for its commit only
        appends = spool._appends
        with spool._disk.lock:
            # One commits and waits for the disk; one behind it is gone before its turn comes.
            first = threading.Thread(target=spool.append, args=(readings(1, 1),))
            first.start()
            deadline_s = time.monotonic() + 10
            while not appends._is_committing:
                assert time.monotonic() < deadline_s
                os.sched_yield()
            appends._queue.append(_gone(spool))
            behind = threading.Thread(target=spool.append, args=(readings(2, 2),))
            behind.start()
        first.join(10)
        behind.join(10)
        assert not first.is_alive()
        assert not behind.is_alive()
        assert sorted(numbers(spool.peek())) == [0, 1, 2]


def _gone(spool: Spool) -> _Ticket:
    return _Ticket(UnwrittenRows(), spool._disk.opened, None, None)
