"""The demo as a user runs it: real processes, a short scenario, and an account that has to balance."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from cleanside.simulator.fleet import FLEET
from cleanside.simulator.instrument import Instrument
from cleanside.simulator.schedule import make_schedule
from tests.support.gatewaying import wait_until


def run_demo(
    tmp_path: Path, *words: str, within_s: float = 110.0
) -> tuple[subprocess.CompletedProcess[str], dict[str, Any]]:
    found = tmp_path / "found.json"
    command = [
        sys.executable,
        "-m",
        "cleanside.simulator",
        "demo",
        "--days",
        "6",
        "--cadence-s",
        "60",
        "--seed",
        "3",
    ]
    done = subprocess.run(
        [*command, "--json", str(found), *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=within_s,
    )
    return done, json.loads(found.read_text()) if found.exists() else {}


def test_the_demo_balances_after_kills_in_mid_write_an_outage_and_coverage_gaps(tmp_path: Path) -> None:
    done, found = run_demo(tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "The account balances" in done.stdout
    assert found["balances"] is True
    assert found["kills"] >= len(FLEET)
    assert found["server_outages"] == 1
    assert {housing["machine"] for housing in found["fleet"]["housings"]} == {spec.name for spec in FLEET}
    for stream in found["streams"]:
        server = stream["server"]
        assert stream["appended_through"] >= stream["reported_on_disk"] > 500
        assert server["gap"] == 0
        assert server["stored"] + server["quarantined"] == server["highest"]
    assert_true_where_the_rated_speed_is_entered(found)


def assert_true_where_the_rated_speed_is_entered(found: dict[str, Any]) -> None:
    """
    Within 5 % (chosen) of what its element truly had at the last reading that was heard.

    On a Monday the machine ends its days in a valley: the Sunday without work is the day it leaves it.
    """
    spec = next(spec for spec in FLEET if spec.name == "hauler-21")
    assert spec.rated_entered
    began_at = datetime.fromisoformat(found["fleet"]["now"]) - timedelta(seconds=found["took_s"])
    midnight = began_at.replace(hour=0, minute=0, second=0, microsecond=0)
    cycles = make_schedule(spec, start_at=midnight - timedelta(days=6), days=6, seed=3).cycles
    (housing,) = [h for h in found["fleet"]["housings"] if h["machine"] == spec.name]
    heard_at = datetime.fromisoformat(housing["last_reading_at"])
    last = max(i for i, cycle in enumerate(cycles) if cycle.on_at <= heard_at)
    truth = Instrument(spec, cycles, cadence_s=60.0, seed=3).measure(last)
    assert housing["restriction_pa"] == pytest.approx(truth.true_reference_pa[-1], rel=0.05)


def test_the_command_refuses_what_makes_no_sense(tmp_path: Path) -> None:
    done, _ = run_demo(tmp_path, "--days", "0")
    assert done.returncode == 2
    assert "2 to 366" in done.stderr


def test_a_demo_that_is_told_to_stop_leaves_no_server_and_no_gateway_behind(tmp_path: Path) -> None:
    """SIGTERM to the demo alone; its session has no other process a moment later."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    words = ["demo", "--days", "366", "--folder", str(tmp_path / "demo"), "--port", str(port)]
    demo = subprocess.Popen(
        [sys.executable, "-m", "cleanside.simulator", *words],
        stdout=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        wait_until(
            lambda: demo.poll() is not None or any((tmp_path / "demo").glob("*.plan.json")),
            "a gateway",
            deadline_s=60,
        )
        assert httpx.get(f"http://127.0.0.1:{port}/healthz", timeout=30).status_code == 200
        demo.terminate()
        assert demo.wait(60) == 128 + signal.SIGTERM
        wait_until(lambda: not is_there(demo.pid), "no process is left")
    finally:
        if is_there(demo.pid):
            os.killpg(demo.pid, signal.SIGKILL)
        demo.wait(10)


def is_there(group: int) -> bool:
    """True if a process group has a process."""
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
