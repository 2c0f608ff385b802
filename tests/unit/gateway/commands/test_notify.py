"""What the gateway tells the service manager, and the unit that runs the gateway."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
from pathlib import Path

import pytest

from cleanside.gateway.commands.notify import ALIVE, READY, STOPPING, Notifier
from cleanside.gateway.commands.run import Gateway
from cleanside.gateway.settings import Settings
from tests.unit.gateway.helpers import DEVICE, settable_clock

UNIT = Path(__file__).parents[4] / "gateway" / "cleanside-gateway@.service"


def test_without_a_service_manager_nothing_happens() -> None:
    notifier = Notifier({})
    notifier.tell(READY)
    assert notifier.alive_every_s is None


def test_a_manager_that_cannot_be_reached_stops_nothing(tmp_path: Path) -> None:
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).tell(READY)


@pytest.mark.parametrize(("span", "every_s"), [("60000000", 30.0), ("0", None), ("", None), ("x", None)])
def test_it_is_alive_twice_in_the_span_that_the_manager_allows(span: str, every_s: float | None) -> None:
    # sd_watchdog_enabled(3): half of WATCHDOG_USEC.
    assert Notifier({"WATCHDOG_USEC": span}).alive_every_s == every_s


def test_a_gateway_says_ready_alive_and_stopping(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        environ = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000"}
        settings = Settings(device=DEVICE, spool_path=tmp_path / "a")
        gateway = Gateway(settings, clock=settable_clock(), environ=environ, log=lambda *_, **__: None)
        thread = threading.Thread(target=gateway.run)
        thread.start()
        told = [manager.recv(100).decode() for _ in range(3)]
        gateway.stop()
        while told[-1] != STOPPING:
            told.append(manager.recv(100).decode())
        thread.join(5)
    assert told[:3] == [READY, ALIVE, ALIVE]
    assert not thread.is_alive()


def test_a_gateway_with_a_part_that_died_is_not_said_to_be_alive(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The manager then starts it again: sd_notify(3), WATCHDOG=1."""
    died = threading.Event()
    monkeypatch.setattr(threading, "excepthook", lambda _: died.set())

    def broken(*_: object) -> None:
        raise RuntimeError("a fault of ours")

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(0.3)
        environ = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "20000"}
        settings = Settings(device=DEVICE, spool_path=tmp_path / "a")
        gateway = Gateway(settings, clock=settable_clock(), environ=environ, log=lambda *_, **__: None)
        gateway._mend = broken  # type: ignore[method-assign]  # one of its threads
        thread = threading.Thread(target=gateway.run)
        thread.start()
        assert died.wait(10)
        assert manager.recv(100).decode() == READY
        with pytest.raises(TimeoutError):
            manager.recv(100)
        gateway.stop()
        thread.join(5)


def test_an_abstract_name_is_reached_too() -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("")  # Linux gives a free abstract name (unix(7), autobind)
        manager.settimeout(5)
        Notifier({"NOTIFY_SOCKET": "@" + manager.getsockname()[1:].decode()}).tell(READY)
        assert manager.recv(100) == b"READY=1"


def test_the_unit_watches_restarts_and_keeps_the_key_out_of_sight() -> None:
    lines = UNIT.read_text().splitlines()
    for line in (
        "Type=notify",
        "Restart=always",
        "WatchdogSec=60",
        "StateDirectory=cleanside",
        "LoadCredential=cleanside-key:/etc/cleanside/%i.key",
        "DynamicUser=yes",
        "ProtectSystem=strict",
        "NoNewPrivileges=yes",
        "ProtectHome=yes",
        "PrivateDevices=yes",
        "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_CAN",
        "SystemCallFilter=@system-service",
        "MemoryDenyWriteExecute=yes",
        "LogRateLimitBurst=200",
        "CapabilityBoundingSet=",
    ):
        assert line in lines
    assert "_KEY=" not in UNIT.read_text()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed here")
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / "cleanside-gateway@test.service"
    unit.write_text(UNIT.read_text().replace("/usr/bin/env cleanside-gateway", "/bin/true"))
    result = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False
    )
    assert (result.returncode, result.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed here")
def test_systemd_finds_little_left_to_harden(tmp_path: Path) -> None:
    """Its own measure, 0 (all closed) to 10: below 2.5 for a program that needs network and a bus."""
    unit = tmp_path / "cleanside-gateway@test.service"
    unit.write_text(UNIT.read_text().replace("/usr/bin/env cleanside-gateway", "/bin/true"))
    result = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--threshold=25", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert result.returncode == 0, result.stdout[-600:]
