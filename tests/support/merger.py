"""
A merging process that dies at its nth step, for n = 1, 2, 3 ... until it lives through; run by a test.

    python -m tests.support.merger merge|unpack TEMPLATE WORK

TEMPLATE : folder with a filled database `ingest.db`. For each n a copy of it under WORK is worked on by a
process that is killed (SIGKILL) at its nth step: before each statement that it sends to the database, and
before and after each commit. Then another process looks at what is there, finishes, and looks again. Prints a
JSON line for each n.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.keeping import merging
from cleanside.ingest.keeping.merging import MergePlan
from cleanside.ingest.store import blocks, database, round_trips, stored_rows
from tests.support.archiver import Steps, look, try_each_step, written
from tests.support.databases import opened

NOW_US = parse_instant("2026-04-01T00:00:00Z").us


def work_with(what: str, url: str, steps: Steps) -> None:
    """One pass."""

    def in_sqlite_by_step(*statement: Any) -> Any:
        steps.step()
        return in_sqlite(*statement)

    in_sqlite = round_trips.run_in_sqlite
    with opened(url) as engine, pytest.MonkeyPatch.context() as patch:
        patch.setattr(round_trips, "run_in_sqlite", in_sqlite_by_step)
        sa.event.listen(engine, "before_cursor_execute", lambda *_: steps.step())
        reading, write = partial(database.view, engine), partial(written, engine, steps)
        plan = MergePlan(reading=reading, write=write, now_us=NOW_US)
        (merging.run_pass if what == "merge" else merging.unpack_all)(plan)


def seen(url: str) -> dict[str, Any]:
    """What is there: a digest of every reading, the account, and in how many rows and blocks."""
    with opened(url) as engine, engine.connect() as connection:
        forms = {"rows": stored_rows.count(connection), "blocks": blocks.totals(connection).blocks}
    return look(url) | forms


def finished(what: str, url: str) -> list[dict[str, Any]]:
    """What is there, and what is there after another pass."""
    before = seen(url)
    work_with(what, url, Steps(0))
    return [before, seen(url)]


if __name__ == "__main__":
    what = sys.argv[1]
    try_each_step(Path(sys.argv[2]), Path(sys.argv[3]), partial(work_with, what), partial(finished, what))
