"""Processes share the analysis of one database, one housing each at a time; a killed one is replaced."""

from __future__ import annotations

import itertools
import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.recompute import recompute
from cleanside.ingest.store import fleet, hours
from tests.support.databases import Postgres
from tests.support.recorded_analysis import overlaps, spans
from tests.support.serving import Api, in_process

#: three servers, or processes, start beside each other on a busy machine
pytestmark = [pytest.mark.postgres, pytest.mark.timeout(400)]

MACHINES = 8
HOURS = 200  # of each: two machines are one pass of the analysis
DEVICES = [f"grader-{number:02d}-intake" for number in range(MACHINES)]
WITHIN_S = 120.0


def send_backlog(api: Api) -> None:
    """Four readings an hour of every machine, none of it analysed."""
    start_us = parse_instant("2026-02-20T06:00:00Z").us
    for number, device in enumerate(DEVICES):
        api.register(device, device.removesuffix("-intake"))
        count = 4 * HOURS
        columns = {
            "restriction": [3.0 + (i + number) % 7 / 10 for i in range(count)],
            "engine_speed": [1800.0] * count,
        }
        document: dict[str, Any] = {"device": device, "stream": f"019abc00-7e1a-7c3e-8f00-{number:012d}"}
        document |= {"units": {"restriction": "kPa", "engine_speed": "r/min"}, "first_seq": 1}
        steps = [0] + [900_000] * (count - 1)
        answer = api.send(document | {"start": instant_text(start_us), "step_ms": steps, "columns": columns})
        assert answer["stored"] == count


class AnalysingProcess:
    """The command `analyse` as a process of its own; `file` says what it worked on."""

    def __init__(self, url: str, file: Path, *more: str) -> None:
        self.file = file
        command = [sys.executable, "-m", "tests.support.recorded_analysis", str(file), *more]
        self._process = subprocess.Popen([*command, "--database", url], stdout=subprocess.PIPE)

    def wait_until_up(self) -> None:
        """Until it says that it analyses."""
        assert self._process.stdout is not None
        assert json.loads(self._process.stdout.readline())["pid"] == self._process.pid

    def is_stopped(self) -> bool:
        """True while it hangs, by SIGSTOP."""
        assert self._process.poll() is None
        status = Path(f"/proc/{self._process.pid}/stat").read_text()
        return status.rpartition(")")[2].split()[0] == "T"

    def end(self, number: signal.Signals) -> int:
        """Send a signal, and wait for the end."""
        if self._process.poll() is None:
            self._process.send_signal(number)
        self._process.communicate(timeout=WITHIN_S)
        return self._process.returncode


@pytest.fixture
def api(postgres: Postgres) -> Iterator[Api]:
    with in_process(postgres.migrated(), devices=DEVICES) as running:
        send_backlog(running)
        yield running


def wait_until(is_so: Callable[[], bool]) -> None:
    deadline, pause = time.monotonic() + WITHIN_S, threading.Event()
    while not is_so():
        assert time.monotonic() < deadline
        pause.wait(0.02)


def test_of_three_processes_one_hangs_and_is_killed_and_every_housing_is_analysed_once_at_a_time(
    api: Api, tmp_path: Path
) -> None:
    def left() -> int:
        with api.resources.reading() as connection:
            return hours.count_behind(connection)

    with ExitStack() as stack:

        def start(name: str, *more: str) -> AnalysingProcess:
            process = AnalysingProcess(api.url, tmp_path / name, *more)
            stack.callback(process.end, signal.SIGKILL)
            return process

        hangs = start("hangs", "--hang-at", "2")
        wait_until(hangs.is_stopped)
        others = [start("one"), start("two")]
        for process in others:
            process.wait_until_up()
        wait_until(lambda: left() == 2 * HOURS)  # all but the two machines that the first one has
        killed_ns = time.monotonic_ns()
        assert hangs.end(signal.SIGKILL) == -signal.SIGKILL
        wait_until(lambda: left() == 0)
        assert [process.end(signal.SIGTERM) for process in others] == [0, 0]

    worked = [spans(process.file) for process in (hangs, *others)]
    assert len(worked[0]) == 2
    for one, other in itertools.combinations(worked, 2):
        assert list(overlaps(one, other, end_ns=killed_ns)) == []
    with api.resources.reading() as connection:
        housings = fleet.every_housing(connection, 1)
    compared = list(recompute(api.resources.reading, housings, None))
    assert [(found.hours, found.is_equal) for found in compared] == [(HOURS, True)] * MACHINES
