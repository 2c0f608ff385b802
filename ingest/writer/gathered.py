"""
What comes to an event loop while it or the writer is busy is worked on together, in the loop.

Many short calls of numpy cost as much as one long one, a function that runs several times in a row finds its
code and data in the processor's caches, and a commit of one costs as much processor time as reading several.
Promises: one item that fails fails alone. While what was handed in before is being committed, an item waits
for that, `HELD_S` at most; then `COMES_BACK_S` at most for those that were answered and may ask again at
once. Without either it waits while the loop goes on handing in, turn after turn: one that arrives alone waits
one turn of an idle loop. What is enough for a piece of work waits for nothing, and one that is in a hurry for
no commit. The loop stands still for one such piece at most, then it turns.
Leaves to others: the work, the commit (`ingest.writer.writer`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Any, Generic, NamedTuple, TypeVar

from cleanside.ingest.writer.handing_in import HandingIn

MOST_GATHERED = 64  # items worked on at once; chosen: as many as make one commit (`ingest.writer.lanes`)
MOST_GATHERED_BYTES = 256 * 1024  # and their bytes: some 4 ms of work; chosen
HELD_S = 0.02  # longest wait for a commit; chosen: on a disk that takes longer, its own bounds hold
COMES_BACK_S = 0.001  # in which a client that was answered asks again; chosen: the shortest wait of a loop

Item = TypeVar("Item")
Result = TypeVar("Result")


class _Waiting(NamedTuple, Generic[Item, Result]):
    item: Item
    done: asyncio.Future[Result]


class Gathered(Generic[Item, Result]):
    """Items that wait for one piece of work together. Used from one event loop, hence no lock."""

    def __init__(self, work: Callable[[Sequence[Item]], Sequence[Result | Exception]]) -> None:
        """work : gives for each item its result, or the error that it met."""
        self._work = work
        self._handing_in = HandingIn(self._turned)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._begin_anew(None)

    def _begin_anew(self, loop: asyncio.AbstractEventLoop | None) -> None:
        """Forget what another loop handed in: it has ended, and no request waits for that any more."""
        self._loop = loop
        self._waiting: list[_Waiting[Item, Result]] = []
        self._waiting_bytes = 0
        #: of what was handed in, being committed
        self._committing = 0
        #: as many as may be here soon; 0: none is expected
        self._expected = 0
        self._timer: asyncio.TimerHandle | None = None

    def hand_in(self, item: Item, size: int, *, hurries: bool = False) -> asyncio.Future[Result]:
        """
        Hand in an item of so many bytes. The future gives its result, or raises the error that it met.

        hurries : it waits for no commit.
        """
        loop = self._of_now()
        done: asyncio.Future[Result] = loop.create_future()
        self._waiting.append(_Waiting(item, done))
        self._waiting_bytes += size
        if self._committing:
            self._expected += 1  # beside those that will be answered
        is_enough = len(self._waiting) >= MOST_GATHERED or self._waiting_bytes >= MOST_GATHERED_BYTES
        if is_enough or (not self._committing and len(self._waiting) >= self._expected > 0):
            self._work_now()
        elif hurries:
            loop.call_soon(self._work_now)  # with what else this turn brings
        elif not self._expected:
            self._handing_in.came(loop)
        elif self._timer is None:
            self._wait(HELD_S)
        return done

    def follow(self, commit: asyncio.Future[Any]) -> None:
        """What was handed in is being committed until this is done."""
        self._of_now()
        self._committing += 1
        commit.add_done_callback(self._answered)

    def _answered(self, commit: asyncio.Future[Any]) -> None:
        if commit.get_loop() is not self._loop or not self._committing:
            return
        self._committing -= 1
        self._expected += 1
        if not self._committing:
            self._wait(COMES_BACK_S)

    def _of_now(self) -> asyncio.AbstractEventLoop:
        loop = asyncio.get_running_loop()
        if loop is not self._loop:
            self._begin_anew(loop)
        return loop

    def _wait(self, most_s: float) -> None:
        self._stop_waiting()
        assert self._loop is not None
        self._timer = self._loop.call_later(most_s, self._work_now)

    def _stop_waiting(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _turned(self) -> None:
        """A turn of the loop has brought nothing more."""
        if not self._expected:
            self._work_now()
        elif self._timer is None:  # a commit has begun since
            self._wait(HELD_S)

    def _work_now(self) -> None:
        self._stop_waiting()
        waiting = [one for one in self._waiting if not one.done.done()]  # not those whose request has ended
        self._waiting, self._waiting_bytes, self._expected = [], 0, 0
        if not waiting:
            return
        outcomes: Sequence[Result | Exception]
        try:
            outcomes = self._work([one.item for one in waiting])
        except Exception as error:  # who waits must hear of it
            outcomes = [error] * len(waiting)
        for one, outcome in zip(waiting, outcomes, strict=True):
            if isinstance(outcome, Exception):
                one.done.set_exception(outcome)
            else:
                one.done.set_result(outcome)
