"""
A backlog of machine-months, analysed by 1, 2 and 4 processes over one PostgreSQL database.

    python -m tests.benchmark.bench_workers [--machines 20] [--days 30] [--workers 1,2,4] [--rounds 3]

Each round has every number of processes (`cleanside-ingest analyse`) once, over the same readings with no
summary made: from the moment at which all hours are due to the last one written. The processes run before
that. PostgreSQL (durable commits) and the processes share the processors of this machine, so a number of
processes beyond its cores cannot help here; processor seconds beside the clock say what the work takes.
Prints a line a number, and JSON at the end.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import MAX_READINGS, instant_text
from cleanside.ingest.store import hours
from tests.benchmark.bench_analysis import START_S, made_readings
from tests.benchmark.counters import processor_s
from tests.support.databases import Postgres, opened
from tests.support.serving import Api, in_process

LOOK_EVERY_S = 0.05
GIVE_UP_AFTER_S = 3_600.0


def send_backlog(api: Api, devices: Sequence[str], *, days: float, step_s: float) -> int:
    """Readings of every machine, none analysed. Returns how many."""
    made = made_readings(days, step_s, seed=1)
    at_us = (made.at_s * 1e6).astype(np.int64)
    assert made.restriction_pa is not None
    assert made.engine_speed_rad_s is not None
    api.clock.now_us = int((START_S + (days + 1) * 86_400) * 1e6)
    for number, device in enumerate(devices):
        api.register(device, device.removesuffix("-intake"))
        restriction = np.round(np.clip(np.roll(made.restriction_pa, 60 * number), 0, None), 1)
        for first in range(0, len(at_us), MAX_READINGS):
            piece = slice(first, first + MAX_READINGS)
            steps = np.diff(at_us[piece], prepend=at_us[first]) // 1000
            columns = {"restriction": restriction[piece].tolist()}
            columns["engine_speed"] = np.round(made.engine_speed_rad_s[piece], 2).tolist()
            document: dict[str, Any] = {"device": device, "stream": f"019abc00-7e1a-7c3e-8f00-{number:012d}"}
            document |= {"units": {"restriction": "Pa", "engine_speed": "rad/s"}, "first_seq": first + 1}
            document |= {"start": instant_text(int(at_us[first])), "step_ms": steps.tolist()}
            api.send(document | {"columns": columns})
    return len(at_us) * len(devices)


@contextmanager
def workers(url: str, count: int) -> Iterator[list[int]]:
    """Processes that analyse, up and without work. Gives their ids."""
    command = [sys.executable, "-m", "cleanside.ingest", "analyse", "--database", url, "--log-level", "error"]
    with ExitStack() as stack:
        running = []
        for _ in range(count):
            process = stack.enter_context(subprocess.Popen(command, stdout=subprocess.PIPE))
            stack.callback(process.terminate)
            running.append(process)
        for process in running:
            assert process.stdout is not None
            assert process.stdout.readline()
        yield [process.pid for process in running]


def make_due(engine: sa.Engine) -> None:
    """As if nothing had been analysed."""
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM hour_summaries")
        connection.exec_driver_sql("UPDATE hours SET analysed_revision = 0")


def left(engine: sa.Engine) -> int:
    """Hours that wait."""
    with engine.connect() as connection:
        return hours.count_behind(connection)


def wait_until_done(engine: sa.Engine) -> None:
    """Until no hour waits. It looks for one alone: to count them all takes as much as the analysis."""
    deadline = time.monotonic() + GIVE_UP_AFTER_S
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        while hours.behind(connection, limit=1):
            if time.monotonic() > deadline:
                raise RuntimeError(f"the analysis was not done within {GIVE_UP_AFTER_S:g} s")
            time.sleep(LOOK_EVERY_S)


def database_s(engine: sa.Engine) -> float:
    """Processor time of all processes of the database so far, this connection's too."""
    with engine.connect() as connection:
        pid = connection.exec_driver_sql("SELECT pg_backend_pid()").scalar()
        main = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
        children = Path(f"/proc/{main}/task/{main}/children").read_text().split()
        return processor_s([main, *map(int, children)])


class Run(NamedTuple):
    """Seconds from all due to none: by the clock, and of processor."""

    clock_s: float
    workers_s: float
    database_s: float


def one_run(engine: sa.Engine, url: str, count: int) -> Run:
    """Analyse everything once by so many processes."""
    with workers(url, count) as pids:
        wait_until_done(engine)
        make_due(engine)
        began_s, began = time.perf_counter(), (processor_s(pids), database_s(engine))
        wait_until_done(engine)
        took_s = time.perf_counter() - began_s
        return Run(took_s, processor_s(pids) - began[0], database_s(engine) - began[1])


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--machines", type=int, default=20)
    parser.add_argument("--days", type=float, default=30.0, help="of readings, a machine; default: 30")
    parser.add_argument("--step-s", type=float, default=60.0, help="between two readings; default: 60")
    parser.add_argument("--workers", default="1,2,4", help="numbers of processes; default: 1,2,4")
    parser.add_argument("--rounds", type=int, default=3)
    given = parser.parse_args(arguments)
    counts = [int(count) for count in given.workers.split(",")]
    devices = [f"machine-{number:04d}-intake" for number in range(given.machines)]
    took: dict[int, list[Run]] = {count: [] for count in counts}
    with tempfile.TemporaryDirectory() as folder:
        server = Postgres(Path(folder) / "postgres")
        try:
            url = server.migrated()
            with in_process(url, devices=devices) as api:
                readings = send_backlog(api, devices, days=given.days, step_s=given.step_s)
                waiting = left(api.resources.readers)
            with opened(url) as engine:
                for _ in range(given.rounds):
                    for count in counts:
                        took[count].append(one_run(engine, url, count))
        finally:
            server.stop()
    print(f"{given.machines} machines of {given.days:g} days, {readings:,} readings, {waiting:,} hours:")
    found = {str(count): _said(count, took[count], given.machines) for count in counts}
    print(json.dumps({"readings": readings, "hours": waiting, "cores": os.cpu_count(), "workers": found}))
    return 0


def _said(count: int, runs: Sequence[Run], machines: int) -> dict[str, float]:
    middle = Run(*(statistics.median(column) for column in zip(*runs, strict=True)))
    clock_s = [run.clock_s for run in runs]
    print(
        f"{count} process(es): {middle.clock_s:.2f} s ({min(clock_s):.2f} to {max(clock_s):.2f}), "
        f"{machines / middle.clock_s:.2f} machines a second; processor: {middle.workers_s:.2f} s of theirs, "
        f"{middle.database_s:.2f} s of the database"
    )
    return middle._asdict() | {"least_s": min(clock_s), "most_s": max(clock_s)}


if __name__ == "__main__":
    sys.exit(main())
