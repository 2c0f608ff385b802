"""
The command `cleanside-ingest`, which merges without pause and dies (SIGKILL) at a named step of it.

    CLEANSIDE_TESTS_DIES=join.deleted:2 python -m tests.support.dying_merger serve|blocks [flags]

The variable names one of `STEPS` and how often it is reached before the process dies; without it, it lives.
Steps of a transaction: `begun`, what it did to the tables, `done` before the commit, `committed` after it.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from functools import partial
from typing import Any

from cleanside.ingest import cli
from cleanside.ingest.keeping import merge_choice, merging
from cleanside.ingest.store import block_moves, blocks, database, store_modes, stored_rows
from cleanside.ingest.writer.lease import Lease

VARIABLE = "CLEANSIDE_TESTS_DIES"
PACK = tuple(f"pack.{step}" for step in ("prepared", "begun", "removed", "inserted", "done", "committed"))
JOIN = tuple(f"join.{step}" for step in ("prepared", "begun", "deleted", "inserted", "done", "committed"))
UNPACK = tuple(f"unpack.{step}" for step in ("begun", "deleted", "put_back", "done", "committed"))
BEGIN, STOP = "begin.done", "stop.done"
STEPS = (BEGIN, *PACK, *JOIN, STOP, *UNPACK)

ROWS_A_STEP = 20  # so that there are many steps
SIZES = merge_choice.Sizes(small=300, most=600, many=None)  # so that there are many blocks
MERGE_LEASE_US = 2_000_000  # what a killed process had is taken over soon
MERGE_EVERY_S = 0.05


class NamedSteps:
    """Counts how often the deadly step is reached, and dies at it."""

    def __init__(self, deadly: str) -> None:
        """deadly : like `pack.done:2`; empty: none."""
        self._name, _, times = deadly.partition(":")
        self._left = int(times or 1)
        #: what the present transaction does, and the last one did
        self._now = self._last = ""

    def reached(self, name: str) -> None:
        """Die, if this is the step."""
        self._left -= name == self._name
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def inside(self, step: str) -> None:
        """A step of what the present transaction does."""
        if self._now:
            self.reached(f"{self._now}.{step}")

    def committed(self) -> None:
        """The last transaction is durable."""
        if self._last:
            self.reached(f"{self._last}.committed")
        self._last = ""

    def transaction(self, name: str, job: Callable[..., Any]) -> Callable[..., Any]:
        """The job with a step before and after it, the commit to follow."""

        def stepped(*given: Any, **named: Any) -> Any:
            self._now = name
            try:
                self.inside("begun")
                done = job(*given, **named)
                self.inside("done")
            finally:
                self._now = ""
            self._last = name
            return done

        return stepped

    def then(self, job: Callable[..., Any], step: Callable[[], None]) -> Callable[..., Any]:
        """The job with a step after it."""

        def stepped(*given: Any, **named: Any) -> Any:
            done = job(*given, **named)
            step()
            return done

        return stepped


def put_in(steps: NamedSteps) -> None:
    """Put the steps into the code that merges."""
    places: tuple[tuple[Any, str, Callable[[], None]], ...] = (
        (block_moves, "prepare_pack", lambda: steps.reached("pack.prepared")),
        (block_moves, "prepare_join", lambda: steps.reached("join.prepared")),
        (stored_rows, "remove", lambda: steps.inside("removed")),
        (stored_rows, "put_back", lambda: steps.inside("put_back")),
        (blocks, "delete", lambda: steps.inside("deleted")),
        (blocks, "insert", lambda: steps.inside("inserted")),
        (store_modes, "begin", lambda: steps.reached(BEGIN)),
        (store_modes, "stop", lambda: steps.reached(STOP)),
        (Lease, "write", steps.committed),
        (database, "in_transaction", steps.committed),
    )
    for place, name, step in places:
        setattr(place, name, steps.then(getattr(place, name), step))
    for name, job in (("pack", "pack"), ("join", "join"), ("unpack", "unpack_lowest")):
        setattr(block_moves, job, steps.transaction(name, getattr(block_moves, job)))


def merge_without_pause() -> None:
    """Small steps, one after the other, of whatever there is."""
    others: tuple[tuple[Any, str, object], ...] = (
        (block_moves, "prepare_pack", partial(block_moves.prepare_pack, limit=ROWS_A_STEP)),
        (block_moves, "TARGET", SIZES.most),
        (merge_choice, "TO_BLOCKS", SIZES),
        (merge_choice, "QUIET_US", 0),
        (merging, "MERGE_EVERY_S", MERGE_EVERY_S),
        (merging, "MERGE_PAUSE_S", 0.0),
        (merging, "MERGE_LEASE_US", MERGE_LEASE_US),
    )
    for place, name, value in others:
        setattr(place, name, value)


if __name__ == "__main__":
    merge_without_pause()
    put_in(NamedSteps(os.environ.get(VARIABLE, "")))
    sys.exit(cli.main(sys.argv[1:]))
