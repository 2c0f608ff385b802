"""
What an event loop is handed while it is busy is worked on together, in the loop.

Many short calls of numpy cost as much as one long one, and a function that runs several times in a row finds
its code and data in the processor's caches.
Promises: one item that fails fails alone. An item waits while the loop goes on handing in, turn after turn,
and no longer than for what is worked on at once; one that arrives alone waits one turn of an idle loop. The
loop is held up for one such group at most, then it turns.
Leaves to others: the work.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Generic, NamedTuple, TypeVar

from cleanside.ingest.writer.handing_in import HandingIn

MOST_GATHERED = 64  # items worked on at once; chosen: as many as make one commit (`ingest.writer.lanes`)
MOST_GATHERED_BYTES = 256 * 1024  # and their bytes: some 4 ms of work; chosen

Item = TypeVar("Item")
Result = TypeVar("Result")


class _Waiting(NamedTuple, Generic[Item, Result]):
    item: Item
    done: asyncio.Future[Result]


class Gathered(Generic[Item, Result]):
    """Items that wait for one piece of work together. Used from one event loop, hence no lock."""

    def __init__(self, work: Callable[[Sequence[Item]], Sequence[Result | Exception]]) -> None:
        """work : gives for each item its result, or the error that it met; it raises none."""
        self._work = work
        self._handing_in = HandingIn(self._work_now)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: list[_Waiting[Item, Result]] = []
        self._waiting_bytes = 0

    def hand_in(self, item: Item, size: int) -> asyncio.Future[Result]:
        """Hand in an item of so many bytes. The future gives its result, or raises the error that it met."""
        loop = asyncio.get_running_loop()
        if loop is not self._loop:  # the one before has ended, and nobody waits for its items any more
            self._loop, self._waiting, self._waiting_bytes = loop, [], 0
        done: asyncio.Future[Result] = loop.create_future()
        self._waiting.append(_Waiting(item, done))
        self._waiting_bytes += size
        if len(self._waiting) >= MOST_GATHERED or self._waiting_bytes >= MOST_GATHERED_BYTES:
            self._work_now()
        else:
            self._handing_in.came(loop)
        return done

    def _work_now(self) -> None:
        waiting = [one for one in self._waiting if not one.done.done()]  # not those whose request has ended
        self._waiting, self._waiting_bytes = [], 0
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
