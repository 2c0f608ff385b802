"""
An archiving process that dies at its nth step, for n = 1, 2, 3 ... until it lives through; run by a test.

    python -m tests.support.archiver TEMPLATE WORK

TEMPLATE : folder with a filled database `ingest.db`. For each n a copy of it under WORK is archived by a
process that is killed (SIGKILL) at its nth step: before each thing it does to the disk, and before and after
each commit. Then another process looks at what is there, finishes, and looks again. Prints a JSON line for
each n. Processes are forks of this one, which touches no database and no Parquet file itself, so that trying
every step takes seconds.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.keeping import retention
from cleanside.ingest.keeping.retention import MovePlan
from cleanside.ingest.store import account, archive, database, readings, revocations, streams
from cleanside.ingest.store.archive_disk import Disk
from tests.support.databases import opened

BEFORE_US = parse_instant("2026-03-01T00:00:00Z").us
STEP_ROWS = 60


class Steps:
    """Counts steps, and dies at one of them."""

    def __init__(self, deadly: int) -> None:
        self._left = deadly

    def step(self) -> None:
        """One step further."""
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


class DeadlyDisk(Disk):
    """Dies before what it is asked to do; takes every file for an old one, so that sweeping is tried too."""

    def __init__(self, steps: Steps) -> None:
        self._step = steps.step

    def sync_file(self, path: Path) -> None:
        self._step()
        super().sync_file(path)

    def sync_folder(self, path: Path) -> None:
        self._step()
        super().sync_folder(path)

    def rename(self, old: Path, new: Path) -> None:
        self._step()
        super().rename(old, new)

    def remove(self, path: Path) -> None:
        self._step()
        super().remove(path)

    def age_s(self, path: Path) -> float:  # noqa: ARG002 - whichever it is
        return retention.GRACE_S + 1


def written(engine: sa.Engine, steps: Steps, job: Callable[[sa.Connection], Any]) -> Any:
    """Run a job in a transaction of its own, with a step before and after its commit."""
    with engine.begin() as connection:
        done = job(connection)
        steps.step()
    steps.step()
    return done


def archive_with(url: str, steps: Steps) -> None:
    """One pass."""
    retention.STEP_ROWS = STEP_ROWS
    with opened(url) as engine:
        folder = database.archive_folder(url)
        assert folder is not None
        disk = DeadlyDisk(steps)
        work = MovePlan(
            reading=partial(database.view, engine),
            write=partial(written, engine, steps),
            folder=folder,
            disk=disk,
            now_us=BEFORE_US,
        )
        retention.run_pass(work, BEFORE_US)


def look(url: str) -> dict[str, Any]:
    """What is there: a digest of every reading, the account, and files that nothing refers to."""
    with opened(url) as engine, engine.connect() as connection:
        balances = all(a.balances for a in account.accounts(connection))
        folder = database.archive_folder(url)
        assert folder is not None
        registered = {entry.file for entry in archive.all_of(connection)}
        there = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()} - {revocations.FILE}
        rows: list[Any] = []
        for stream in streams.all_of(connection, None):
            for row in readings.take_out(connection, stream.id, ((1, 2**53),)):
                rows.append(sorted((k, v) for k, v in row.items() if k not in ("unit_set_id", "stream_id")))
        connection.rollback()
    return {
        "readings": len(rows),
        "digest": hashlib.sha256(repr(rows).encode()).hexdigest(),
        "balances": balances,
        "missing": sorted(registered - there),
        "strange": sorted(there - registered),
        "archived": len(registered),
    }


def finished(url: str) -> list[dict[str, Any]]:
    """What is there, and what is there after another pass."""
    before = look(url)
    archive_with(url, Steps(0))
    return [before, look(url)]


def forked(do: Callable[[], Any]) -> tuple[int, Any]:
    """Run in a process of its own. Gives how it ended (negative: the signal) and what it found."""
    out, into = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        os.close(out)
        try:
            found = do()
            with os.fdopen(into, "w") as pipe:
                pipe.write(json.dumps(found))
            os._exit(0)
        except BaseException:
            sys.excepthook(*sys.exc_info())
            os._exit(1)
    os.close(into)
    with os.fdopen(out) as pipe:
        text = pipe.read()
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status), json.loads(text) if text else None


def try_each_step(
    template: Path, work: Path, worked: Callable[[str, Steps], Any], finished: Callable[[str], Any]
) -> None:
    """
    Work on a copy in a process that is killed at its nth step, and look in another, for each n to its end.

    worked : takes the address of the copy. finished : what to print of it.
    """
    n, ended = 0, -signal.SIGKILL
    while ended != 0:
        n += 1
        place = work / str(n)
        shutil.copytree(template, place)
        url = f"sqlite:///{place / 'ingest.db'}"
        ended, _ = forked(partial(worked, url, Steps(n)))
        _, seen = forked(partial(finished, url))
        sys.stdout.write(json.dumps({"n": n, "ended": ended, "seen": seen}) + "\n")
        sys.stdout.flush()
        shutil.rmtree(place)


if __name__ == "__main__":
    try_each_step(Path(sys.argv[1]), Path(sys.argv[2]), archive_with, finished)
