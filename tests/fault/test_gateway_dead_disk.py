"""A disk that takes no writes any more, under a real gateway: nothing is dropped without a word."""

from __future__ import annotations

import json
import re
import resource
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.cli import EXIT_LOST, EXIT_OK
from cleanside.gateway.commands.feed import BRIDGE_READINGS
from tests.support.serving import as_process
from tests.unit.gateway.helpers import (
    DEVICE,
    numbers,
    open_spool,
    readings,
    server_anchor,
    settable_clock,
)

COUNT = 3_000
#: not this process's but the gateway's: each write to a file fails with EFBIG (getrlimit(2), RLIMIT_FSIZE)
DEAD, WELL = (0, resource.RLIM_INFINITY), (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
#: no file can grow, as on a full disk; what has its room can be written
FULL = (8192, resource.RLIM_INFINITY)


class Gateway:
    """A real process with standard input as its source, on a disk that the test stops."""

    def __init__(self, folder: Path, *more: str, **popen: Any) -> None:
        flags = ["--device", DEVICE, "--spool-path", str(folder / "a")]
        source = ["--source", "ndjson units.restriction=kPa units.engine_speed=r/min"]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cleanside.gateway", "run", *flags, *source, *more],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **popen,
        )
        self.said = ""

    def until(self, event: str) -> None:
        """Read the log up to a line with `event`."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said += line
            if event in line:
                return
        raise AssertionError(f"it ended without {event}:\n{self.said}")

    def write(self, first: int, last: int) -> None:
        assert self.process.stdin is not None
        rows = [{"restriction": number / 100, "engine_speed": number} for number in range(first, last + 1)]
        self.process.stdin.write("".join(json.dumps(row) + "\n" for row in rows))
        self.process.stdin.flush()

    def disk(self, limits: tuple[int, int]) -> None:
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, limits)

    def bridge(self, limits: tuple[int, int] = DEAD) -> None:
        """Have it take readings that its disk does not."""
        self.until("gateway.started")
        self.disk(limits)
        self.write(1, COUNT)
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.until("gateway.source_ended")

    def end(self) -> int:
        assert self.process.stderr is not None
        self.said += self.process.stderr.read()
        return self.process.wait(60)


@contextmanager
def running(folder: Path, *more: str, **popen: Any) -> Iterator[Gateway]:
    gateway = Gateway(folder, *more, **popen)
    with gateway.process:
        try:
            yield gateway
        finally:
            gateway.process.kill()


def on_disk(folder: Path) -> list[int]:
    found: list[int] = []
    with open_spool(folder / "a") as spool:
        for stream in spool.state().streams:
            assert stream.appended_through in (0, COUNT)
        spool.anchor(server_anchor(settable_clock()))
        while (batch := spool.peek(max_readings=5000, max_bytes=2**22)) is not None:
            found += numbers(batch)
            spool.acknowledge(batch.stream or "", (batch.seq or [0])[-1])
    return found


def test_what_a_stop_loses_is_counted_and_the_exit_code_says_so(tmp_path: Path) -> None:
    with running(tmp_path, "--run-stop-wait-s", "0.2") as gateway:
        gateway.bridge()
        gateway.process.send_signal(signal.SIGTERM)
        assert gateway.end() == EXIT_LOST
    stopped = re.search(r"gateway\.stopped .*lost=(\d+)", gateway.said)
    assert stopped is not None, gateway.said
    assert int(stopped[1]) == COUNT
    assert "declared_at_next_start=False" in gateway.said, "not even the mark can be written"


def test_what_a_stop_loses_is_declared_to_the_server_once(tmp_path: Path) -> None:
    with running(tmp_path, "--run-stop-wait-s", "0.2") as gateway:
        gateway.bridge(FULL)
        gateway.process.send_signal(signal.SIGTERM)
        assert gateway.end() == EXIT_LOST
    assert "declared_at_next_start=True" in gateway.said
    for _ in range(2):  # a start that is cut off before it sent anything, and the next one
        open_spool(tmp_path / "a").close()
    assert [(lost["count"], lost["at"]) for lost in losses(tmp_path)] == [(COUNT, "stop")]


def losses(folder: Path) -> list[Mapping[str, Any]]:
    """What the spool declares as lost."""
    with open_spool(folder / "a") as spool:
        said = [event.content for event in spool.unconfirmed(None).events]
    return [content for content in said if content["event"] == "readings_lost"]


def test_a_loss_is_declared_though_the_spool_is_set_aside_at_the_next_start(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 2))
        note, is_noted = spool.note_losses(7)
        assert is_noted
    for _ in range(2):  # the second finds the note beside the first file again
        (tmp_path / "a").write_bytes(b"\xff" * 50_000)
        assert [(lost["count"], lost["id"]) for lost in losses(tmp_path)] == [(7, note.identity)]


def test_a_kill_on_a_full_disk_does_not_take_the_count_of_the_lost_with_it(tmp_path: Path) -> None:
    """No event fits on the disk; what has its room already takes the count."""
    with running(tmp_path) as gateway:
        gateway.until("gateway.started")
        gateway.disk(FULL)
        gateway.write(1, BRIDGE_READINGS + COUNT)
        assert gateway.process.stdin is not None
        gateway.process.stdin.close()
        gateway.until("gateway.source_ended")
        gateway.process.kill()
    [lost] = losses(tmp_path)
    assert COUNT <= lost["count"] < BRIDGE_READINGS


def test_what_a_stop_loses_is_declared_to_the_shop(tmp_path: Path, sqlite_database_url: str) -> None:
    """The log on the machine, which no person reads, was all that knew of it."""
    key = tmp_path / "key"
    key.touch(mode=0o600)
    with as_process(sqlite_database_url) as server, server.client("admin") as shop:
        shop.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        shop.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
        key.write_text(server.tokens["device"])
        uplink = ("--uplink-server", server.url, "--uplink-key-file", str(key))
        with running(tmp_path, "--run-stop-wait-s", "0.2", *uplink) as gateway:
            gateway.bridge()
            gateway.process.send_signal(signal.SIGTERM)
            assert gateway.end() == EXIT_LOST
        assert "gateway.loss_declared" in gateway.said
        machine = shop.get("/v1/machines/grader-07").json()
    assert [(e["event"], e["readings"]) for e in machine["declared"]] == [("readings_lost", COUNT)]


def test_a_stop_waits_for_a_disk_that_comes_back_and_loses_nothing(tmp_path: Path) -> None:
    with running(tmp_path, "--run-stop-wait-s", "600") as gateway:
        gateway.bridge()
        gateway.process.send_signal(signal.SIGTERM)
        gateway.until("gateway.stop_waits")
        gateway.disk(WELL)
        assert gateway.end() == EXIT_OK, gateway.said
    assert on_disk(tmp_path) == list(range(1, COUNT + 1))


def test_a_second_signal_ends_the_wait(tmp_path: Path) -> None:
    with running(tmp_path, "--run-stop-wait-s", "600") as gateway:
        gateway.bridge()
        gateway.process.send_signal(signal.SIGTERM)
        gateway.until("gateway.stop_waits")
        gateway.process.send_signal(signal.SIGTERM)
        assert gateway.end() == EXIT_LOST


@pytest.mark.parametrize("stop_wait_s", [2.0])
def test_the_service_manager_is_asked_for_the_time_that_the_wait_takes(
    tmp_path: Path, stop_wait_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """sd_notify(3), EXTEND_TIMEOUT_USEC: sent before the time is over, again and again."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with running(tmp_path, "--run-stop-wait-s", str(stop_wait_s)) as gateway:
            gateway.bridge()
            gateway.process.send_signal(signal.SIGTERM)
            told = [manager.recv(100).decode() for _ in range(4)]
            assert gateway.end() == EXIT_LOST
    assert told[:2] == ["READY=1", "STOPPING=1"]
    asked_s = [int(text.partition("=")[2]) / 1e6 for text in told[2:]]
    assert [text.partition("=")[0] for text in told[2:]] == ["EXTEND_TIMEOUT_USEC"] * 2
    assert all(seconds > 5 for seconds in asked_s), "longer than the unit's own TimeoutStopSec"
