"""
Each call of a program to the kernel is one that its unit allows: systemd refuses the rest.

A gateway reads, keeps, sends and asks the kernel for its opinion of the clock; a server takes what it sends.
Which calls a group of the unit holds is asked of systemd (systemd-analyze(1)), which ones were made of
strace(1).
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from tests.support.databases import migrated_sqlite
from tests.support.house import ROOT
from tests.support.serving import DEVICE, as_process, batch, make_keys

pytestmark = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd")
GATEWAY, SERVER = ROOT / "gateway/cleanside-gateway@.service", ROOT / "ingest/cleanside-ingest.service"
READINGS = 5
LINE = '{{"at": "2026-03-02T06:0{minute}:00Z", "restriction": 3.0}}\n'


def allowed(unit: Path) -> set[str]:
    """The calls that the filters of a unit allow, by name."""
    words = re.findall(r"^SystemCallFilter=(.*)$", unit.read_text(), re.MULTILINE)
    names: set[str] = set()
    for word in " ".join(words).split():
        names |= in_group(word) if word.startswith("@") else {word}
    return names


def in_group(group: str) -> set[str]:
    """The calls in a group, and in the groups in it."""
    said = subprocess.run(
        ["systemd-analyze", "syscall-filter", group], check=True, capture_output=True, text=True
    )
    names: set[str] = set()
    for line in said.stdout.splitlines()[1:]:
        word = line.strip()
        if word.startswith("@"):
            names |= in_group(word)
        elif word and not word.startswith("#"):
            names.add(word)
    return names


def made(trace: Path) -> set[str]:
    """The calls of all threads, by name."""
    return set(re.findall(r"^\d+ +(?:<\.\.\. )?(\w+)(?:\(| resumed)", trace.read_text(), re.MULTILINE))


@contextmanager
def traced_server(url: str, trace: Path) -> Iterator[str]:
    """A server under strace; gives its address."""
    serve = [sys.executable, "-m", "cleanside.ingest", "serve", "--port", "0", "--database", url]
    command = ["strace", "-f", "-qq", "-s", "0", "-o", str(trace), *serve]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        started = json.loads(next(line for line in process.stdout if "listening" in line))
        try:
            yield started["listening"]
        finally:
            os.kill(started["pid"], signal.SIGTERM)
    assert process.returncode == 0


@pytest.mark.timeout(180)
def test_the_unit_of_the_gateway_allows_all_that_it_calls(tmp_path: Path) -> None:
    key, trace = tmp_path / "device.key", tmp_path / "calls"
    with as_process(migrated_sqlite(tmp_path)) as server:
        with server.client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        key.touch(mode=0o600)
        key.write_text(server.tokens["device"])
        run = [sys.executable, "-m", "cleanside.gateway", "run", "--device", DEVICE, "--run-exit-when-done"]
        run += ["--spool-path", str(tmp_path / "spool"), "--source", "ndjson units.restriction=kPa"]
        run += ["--uplink-server", server.url, "--uplink-key-file", str(key)]
        subprocess.run(
            ["strace", "-f", "-qq", "-s", "0", "-o", str(trace), *run],
            input="".join(LINE.format(minute=minute) for minute in range(READINGS)),
            text=True,
            capture_output=True,
            check=True,
        )
        with server.client("admin") as http:
            assert len(http.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]) == READINGS
    calls = made(trace)
    assert {"clock_adjtime", "adjtimex"} & calls  # else the clock was not asked for, and this shows little
    assert calls - allowed(GATEWAY) == set()
    assert "\nProtectClock=" not in GATEWAY.read_text()  # it has a filter of its own, on these two


@pytest.mark.timeout(180)
def test_the_unit_of_the_server_allows_all_that_it_calls(tmp_path: Path) -> None:
    url, trace = migrated_sqlite(tmp_path), tmp_path / "calls"
    tokens = make_keys(url, [DEVICE])
    sent = [("operator", "devices", {"device": DEVICE}), ("device", "readings", batch(1, [3.0] * READINGS))]
    with traced_server(url, trace) as address:
        for role, noun, body in sent:
            head = {"Authorization": f"Bearer {tokens[role]}"}
            answer = httpx.post(f"{address}/v1/{noun}", json=body, headers=head, timeout=60)
            assert answer.is_success
    assert answer.json()["stored"] == READINGS
    assert made(trace) - allowed(SERVER) == set()
