"""
A merging process that dies at its nth step, for n = 1, 2, 3 ... until it lives through; run by a test.

    python -m tests.support.merger merge|unpack TEMPLATE WORK

TEMPLATE : folder with a filled database `ingest.db`. For each n a copy of it under WORK is worked on by a
process that is killed (SIGKILL) at its nth step: before each statement that it sends to the database, and
before and after each commit. Then another process looks at what is there, finishes, and looks again. Prints a
JSON line for each n.
"""

from __future__ import annotations

import json
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.keeping import merging
from cleanside.ingest.keeping.merging import MergePlan
from cleanside.ingest.store import blocks, stored_rows
from tests.support.archiver import Steps, forked, look
from tests.support.databases import opened

NOW_US = parse_instant("2026-04-01T00:00:00Z").us


def work_with(url: str, what: str, steps: Steps) -> None:
    """One pass."""
    with opened(url) as engine:
        sa.event.listen(engine, "before_cursor_execute", lambda *_: steps.step())

        @contextmanager
        def reading() -> Iterator[sa.Connection]:
            with engine.connect() as connection:
                yield connection
                connection.rollback()

        def write(job: Callable[[sa.Connection], Any]) -> Any:
            with engine.begin() as connection:
                done = job(connection)
                steps.step()
            steps.step()
            return done

        plan = MergePlan(reading=reading, write=write, now_us=NOW_US)
        (merging.run_pass if what == "merge" else merging.unpack_all)(plan)


def seen(url: str) -> dict[str, Any]:
    """What is there: a digest of every reading, the account, and in how many rows and blocks."""
    with opened(url) as engine, engine.connect() as connection:
        forms = {"rows": stored_rows.count(connection), "blocks": blocks.totals(connection).blocks}
    return look(url) | forms


def finished(url: str, what: str) -> list[dict[str, Any]]:
    """What is there, and what is there after another pass."""
    before = seen(url)
    work_with(url, what, Steps(0))
    return [before, seen(url)]


def main(what: str, template: Path, work: Path) -> None:
    n, ended = 0, -signal.SIGKILL
    while ended != 0:
        n += 1
        place = work / str(n)
        shutil.copytree(template, place)
        url = f"sqlite:///{place / 'ingest.db'}"
        ended, _ = forked(lambda u=url, n=n: work_with(u, what, Steps(n)))  # type: ignore[misc]
        _, found = forked(lambda u=url: finished(u, what))  # type: ignore[misc]
        sys.stdout.write(json.dumps({"n": n, "ended": ended, "seen": found}) + "\n")
        sys.stdout.flush()
        shutil.rmtree(place)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
