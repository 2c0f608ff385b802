"""
What an event loop hands in while it is busy reaches the writer together: one commit instead of several.

A commit alone costs more processor time than reading a batch, and while both run, its thread and the loop
take Python's lock from each other at every statement.
Promises: the writer waits while the loop goes on handing in, turn after turn, and no longer than for what
makes one commit (`Lanes.is_enough`). One reading that arrives alone waits one turn of an idle loop.
Leaves to others: the jobs, and waking the thread (`ingest.writer.writer`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable


class HandingIn:
    """Whether an event loop is handing in jobs. The caller has the writer's lock, but in `_look`."""

    def __init__(self, over: Callable[[], None]) -> None:
        """over : called in the loop once a turn of it has brought nothing more."""
        self._over = over
        self._loop: asyncio.AbstractEventLoop | None = None
        self._came = 0

    @property
    def is_on(self) -> bool:
        """The loop may bring more at once."""
        return self._loop is not None

    def came(self, loop: asyncio.AbstractEventLoop) -> None:
        """Note a job that a loop hands in now."""
        self._came += 1
        if self._loop is not loop:
            self._loop = loop
            loop.call_soon(self._look, loop, self._came)

    def end(self) -> None:
        """Wait no longer: a thread has handed in a job, and the loop may be waiting for that thread."""
        self._loop = None

    def _look(self, loop: asyncio.AbstractEventLoop, before: int) -> None:
        if self._loop is loop and self._came != before:
            loop.call_soon(self._look, loop, self._came)
            return
        self._loop = None
        self._over()
