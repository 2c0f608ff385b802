"""SIGTERM while nothing answers: server and source hang, and the gateway ends in time all the same."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from cleanside.gateway.cli import EXIT_OK
from cleanside.gateway.commands import status
from cleanside.gateway.commands.run import STOP_WITHIN_S
from cleanside.gateway.errors import GatewayError
from tests.support.gatewaying import wait_until

DEVICE = "crusher-genset-1-intake"
LIVES = 3  # a busy machine may take its time over one of them


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def silent(stack: ExitStack) -> socket.socket:
    """Somebody who takes connections and never says a word."""
    return stack.enter_context(socket.create_server(("127.0.0.1", 0)))


def settings_file(folder: Path, server: socket.socket, controller: socket.socket) -> Path:
    path = folder / "gateway.toml"
    path.write_text(
        f'device = "{DEVICE}"\n[spool]\npath = "{folder}/a.spool"\n'
        f'[uplink]\nserver = "http://127.0.0.1:{server.getsockname()[1]}"\ntimeout_s = 60\nlinger_s = 0.05\n'
        f'[[sources]]\nuse = "modbus"\nhost = "127.0.0.1"\nport = {controller.getsockname()[1]}\n'
        "timeout_s = 60\n[sources.registers.restriction]\n"
        'unit = "kPa"\ntable = "input"\naddress = 0\ntype = "uint16"\n'
        f'[[sources]]\nuse = "ndjson"\nsocket = "{folder}/s"\nunits = {{ restriction = "kPa" }}\n'
    )
    return path


def appended(folder: Path) -> int:
    try:
        spool = status.read(folder / "a.spool", now_us=0).spool
    except GatewayError:  # it is being made
        return 0
    return sum(stream.appended_through for stream in spool.streams)


def write(folder: Path, value: float) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        wait_until(lambda: client.connect_ex(str(folder / "s")) == 0, "the socket is listened on")
        client.sendall(json.dumps({"restriction": value}).encode() + b"\n")


def test_a_stop_is_done_in_two_seconds_whatever_hangs(tmp_path: Path, stack: ExitStack) -> None:
    server, controller = silent(stack), silent(stack)
    settings = settings_file(tmp_path, server, controller)
    command = [sys.executable, "-m", "cleanside.gateway", "run", "--settings", str(settings)]
    environ = {**os.environ, "CLEANSIDE_GATEWAY_KEY": "k0.s"}
    took_s = []
    for life in range(1, LIVES + 1):
        with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environ) as gateway:
            stack.callback(gateway.kill)
            for listening in (server, controller):  # both have somebody waiting for their word
                listening.settimeout(30)
                stack.enter_context(listening.accept()[0])
            write(tmp_path, life / 100)
            wait_until(lambda n=life: appended(tmp_path) == n, "the reading is on disk")  # type: ignore[misc]
            began_s = time.monotonic()
            gateway.send_signal(signal.SIGTERM)
            _, said = gateway.communicate(timeout=30)
            took_s.append(time.monotonic() - began_s)
        assert gateway.returncode == EXIT_OK, said
        assert "gateway.stopped" in said
    assert min(took_s) < STOP_WITHIN_S
    assert appended(tmp_path) == LIVES  # and nothing of what was on disk is gone
