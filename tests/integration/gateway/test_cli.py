"""The command as a process: it stops when told to, goes on after a kill, warns of a key that others read."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import apsw
import pytest

from cleanside.gateway.cli import EXIT_OK
from cleanside.gateway.commands.run import STOP_WITHIN_S
from cleanside.gateway.commands.status import read as read_status
from cleanside.gateway.errors import GatewayError
from tests.unit.gateway.helpers import BEGIN_US, DEVICE, open_spool

LIVES = 3  # of a gateway whose stop is timed, at most; chosen


@pytest.fixture
def flags(tmp_path: Path) -> list[str]:
    return ["--device", DEVICE, "--spool-path", str(tmp_path / "a")]


@contextmanager
def running(*arguments: str, **more: Any) -> Iterator[subprocess.Popen[str]]:
    """A real gateway, ended whatever the test comes to."""
    gateway = subprocess.Popen(
        [sys.executable, "-m", "cleanside.gateway", *arguments],
        env={**os.environ, "PYTHONWARNINGS": "error"},
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        **more,
    )
    with gateway:
        try:
            yield gateway
        finally:
            gateway.kill()


def wait_for(path: Path, count: int, gateway: subprocess.Popen[str], *, within_s: float = 60) -> None:
    """Until the spool beside the running gateway holds `count` readings."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline and gateway.poll() is None:
        with suppress(GatewayError, apsw.Error):  # the file is being made
            if read_status(path, now_us=BEGIN_US).spool.backlog >= count:
                return
        threading.Event().wait(0.01)
    gateway.kill()
    raise AssertionError(
        f"{path} did not hold {count} readings within {within_s} s: {gateway.communicate()[1]}"
    )


def test_sigterm_ends_a_running_gateway_cleanly_within_two_seconds(tmp_path: Path, flags: list[str]) -> None:
    took_s = [stopped_after_s(tmp_path, flags, held=2)]
    while took_s[-1] >= STOP_WITHIN_S and len(took_s) < LIVES:  # a busy machine may take a while
        took_s.append(stopped_after_s(tmp_path, flags, held=2 * (len(took_s) + 1)))
    assert min(took_s) < STOP_WITHIN_S


def stopped_after_s(folder: Path, flags: list[str], *, held: int) -> float:
    """Run a gateway until it holds so many readings, of which two are new; how long its stop took [s]."""
    with running("run", *flags, "--source", "ndjson units.restriction=kPa", stdin=subprocess.PIPE) as gateway:
        assert gateway.stdin is not None
        gateway.stdin.write('{"restriction": 3.05}\n{"restriction": "x"}\n{"restriction": 3.10}\n')
        gateway.stdin.flush()
        wait_for(folder / "a", held, gateway)
        began_s = time.monotonic()
        gateway.send_signal(signal.SIGTERM)
        out, err = gateway.communicate(timeout=60)
        took_s = time.monotonic() - began_s
    assert gateway.returncode == EXIT_OK, err
    assert "gateway.stopped" in err
    assert "gateway.line_not_read" in err
    assert out == ""
    return took_s


def test_a_gateway_that_was_killed_goes_on_with_what_it_had(tmp_path: Path, flags: list[str]) -> None:
    rows = "".join(f"{i / 100}\n" for i in range(1, 3001))
    (tmp_path / "f.csv").write_text("dp\n" + rows)
    source = f"csv path={tmp_path / 'f.csv'} columns.dp='restriction kPa' start=2026-12-02T06:00:00Z step_s=1"
    for count in (500, 1000, 3000):
        with running("run", *flags, "--source", f"{source} pace=none") as gateway:
            wait_for(tmp_path / "a", count, gateway)
            gateway.kill()
    with open_spool(tmp_path / "a") as spool:
        batch = spool.peek(max_readings=5000, max_bytes=2**20)
        assert batch is not None
        assert batch.columns["restriction"] == [i / 100 for i in range(1, 3001)]


@pytest.mark.skipif(os.name != "posix", reason="modes are of POSIX")
@pytest.mark.parametrize(("mode", "warned"), [(0o644, True), (0o600, False)])
def test_a_key_that_others_can_read_is_warned_of(
    tmp_path: Path, flags: list[str], mode: int, warned: bool
) -> None:
    key = tmp_path / "device.key"
    key.write_text("k00000000." + "0" * 64)
    key.chmod(mode)
    sources = ["--source", "ndjson units.restriction=kPa", "--run-exit-when-done"]
    ended = subprocess.run(
        [sys.executable, "-m", "cleanside.gateway", "run", *flags, *sources, "--uplink-key-file", str(key)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert ("gateway.key_readable" in ended.stderr) == warned
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z (INFO|WARNING) gateway\.", ended.stderr), "UTC"
