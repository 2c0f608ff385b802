"""
Questions to the database that come while others are under way are asked together, in a thread beside the
loop.

A fleet that finds its link again asks the same for thousands of machines at once. One by one each question
costs a connection, a transaction and a thread, and all these threads want the lock that the loop needs.
Promises: a question that comes alone waits for nothing. Of `MOST_UNDER_WAY` one may hang, and the others
still get their answers. An error of one question is that of its asker alone.
Leaves to others: the questions, and who may ask them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Any, Generic, TypeVar

from starlette.concurrency import run_in_threadpool

MOST_UNDER_WAY = 2  # chosen: the loop has something to do while the database answers
MOST_TOGETHER = 200  # questions at once; chosen: some 10 ms

Item = TypeVar("Item")
Result = TypeVar("Result")


class AskedTogether(Generic[Item, Result]):
    """Questions of one kind. Used from one event loop, hence no lock."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._begin_anew(None)

    def _begin_anew(self, loop: asyncio.AbstractEventLoop | None) -> None:
        self._loop = loop
        self._waiting: list[tuple[Item, asyncio.Future[Result]]] = []
        self._under_way: set[asyncio.Task[None]] = set()

    async def ask(
        self, all_of_them: Callable[[Sequence[Item]], Sequence[Result | Exception]], item: Item
    ) -> Result:
        """
        The answer to one question, or raises the error that it met.

        all_of_them : answers several, in their order; the same for all who ask here.
        """
        loop = asyncio.get_running_loop()
        if loop is not self._loop:
            self._begin_anew(loop)
        done: asyncio.Future[Result] = loop.create_future()
        self._waiting.append((item, done))
        if len(self._under_way) < MOST_UNDER_WAY:
            task = loop.create_task(self._ask_all(all_of_them))
            self._under_way.add(task)
            task.add_done_callback(self._under_way.discard)
        return await done

    async def _ask_all(self, all_of_them: Callable[[Sequence[Item]], Sequence[Any]]) -> None:
        while self._waiting:
            asked, self._waiting = self._waiting[:MOST_TOGETHER], self._waiting[MOST_TOGETHER:]
            outcomes: Sequence[Any]
            try:
                outcomes = await run_in_threadpool(all_of_them, [item for item, _ in asked])
            except Exception as error:  # who waits must hear of it
                outcomes = [error] * len(asked)
            for (_, done), outcome in zip(asked, outcomes, strict=True):
                if done.done():  # its request has ended
                    continue
                if isinstance(outcome, Exception):
                    done.set_exception(outcome)
                else:
                    done.set_result(outcome)
