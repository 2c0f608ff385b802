"""
Full searches for garbage are kept short: what a long one found in use is left out of the next ones.

Python looks for groups of objects that only refer to each other, now and then among all objects, and no
thread works meanwhile. With 300 judged machines in memory that takes 0.2 s of the processor, once in some
seven looks at the plan of visits; left out, 0.01 s (measured: `bench_fleet_page --of plan --rounds 50`, its
field `longest_collection_ms`, and with `--plain-collections`).
What is left out is still freed once nothing refers to it. Only a group is not: so all objects are searched
again after `MOST_LONG` long searches.
Tried and dropped: to leave out after each full search (the groups of requests under way gather, 3 MB in 40
looks), and larger young generations (no faster: what a look makes is searched once either way).

Source: Python documentation, module gc (`freeze`, `callbacks`). A Python that searches in steps has no long
searches, and nothing is left out.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Mapping
from typing import Any

OLDEST = 2  # the generation of a full search
LONG_S = 0.02  # of the processor; chosen: a request hardly notices less
MOST_LONG = 50  # long searches; chosen: then one is as long as all were


class LongCollections:
    """Told of each search: leaves out what survived a long one."""

    def __init__(
        self, clock_s: Callable[[], float], *, leave_out: Callable[[], None], search_all: Callable[[], None]
    ) -> None:
        """clock_s : of the processor time of a thread. search_all : takes what was left out back."""
        self._clock_s, self._leave_out, self._search_all = clock_s, leave_out, search_all
        self._began_s = 0.0
        self._left_out = 0

    def __call__(self, phase: str, search: Mapping[str, Any]) -> None:
        """phase : start or stop. search : what Python says of it."""
        if search["generation"] != OLDEST:
            return
        if phase == "start":
            self._began_s = self._clock_s()
        elif self._clock_s() - self._began_s >= LONG_S:
            self._after_a_long_one()

    def _after_a_long_one(self) -> None:
        if self._left_out == MOST_LONG:
            self._left_out = 0
            self._search_all()
        else:
            self._left_out += 1
            self._leave_out()


def shorten() -> None:
    """From now on, in this process; what is loaded by now is left out at once (measured: p99 to a half)."""
    gc.collect()
    gc.freeze()
    gc.callbacks.append(LongCollections(time.thread_time, leave_out=gc.freeze, search_all=gc.unfreeze))
