"""The signal of modems by D-Bus: a real dbus-daemon, with a service that stands in for ModemManager."""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from jeepney import DBus, HeaderFields, MessageType, new_error, new_method_return
from jeepney.bus import get_bus
from jeepney.io.blocking import prep_socket

from cleanside.gateway.errors import SourceAway, SourceWrong
from cleanside.gateway.sources import Context, find_source
from cleanside.gateway.sources.modem import (
    NETWORKS,
    SERVICE,
    SIGNAL,
    BoundedConnection,
    ModemSource,
    strongest_dbm,
    without_rate,
)
from cleanside.gateway.wire import Reading
from tests.support.coded import refused
from tests.unit.gateway.helpers import settable_clock

#: org.freedesktop.ModemManager1.Modem.Signal, as its description has it in Debian's modemmanager-dev 1.20.4-1
#: (usr/share/dbus-1/interfaces): property -> members of its dictionary (a{sv}, each of them "d")
MEMBERS = {
    "Cdma": {"rssi", "ecio", "error-rate"},
    "Evdo": {"rssi", "ecio", "sinr", "io", "error-rate"},
    "Gsm": {"rssi", "error-rate"},
    "Umts": {"rssi", "rscp", "ecio", "error-rate"},
    "Lte": {"rssi", "rsrq", "rsrp", "snr", "error-rate"},
    "Nr5g": {"rsrq", "rsrp", "snr", "error-rate"},
}
#: of the same description: Setup takes the rate [s], and Rate is a property
SETUP_SIGNATURE, RATE_TYPE = "u", "u"
PATH = "/org/freedesktop/ModemManager1/Modem/0"
CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>session</type><listen>unix:path={socket}</listen>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/>
<allow own="*"/></policy></busconfig>"""


def modem(rate: int = 5, **levels: Any) -> dict[str, Any]:
    """One modem as ModemManager shows it. levels : network -> rssi."""
    networks = {name: ("a{sv}", {"rssi": ("d", level)}) for name, level in levels.items()}
    return {PATH: {SIGNAL: {"Rate": (RATE_TYPE, rate), **networks}, f"{SERVICE}.Modem": {"State": ("i", 11)}}}


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A bus of the test's own, in place of the system's."""
    daemon = shutil.which("dbus-daemon")
    assert daemon is not None, "install Debian's package dbus-daemon"
    address = f"unix:path={tmp_path / 'bus'}"
    config = tmp_path / "bus.conf"
    config.write_text(CONFIG.format(socket=tmp_path / "bus"))
    command = [daemon, f"--config-file={config}", "--nofork", "--print-address"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline().startswith("unix:")
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        yield address
        running.terminate()


@contextmanager
def modem_manager(address: str, modems: dict[str, Any]) -> Iterator[list[str]]:
    """A service of this name on the bus; the names of the calls that it got."""
    connection = BoundedConnection(prep_socket(get_bus(address), timeout=10))
    connection.send_and_get_reply(DBus().RequestName(SERVICE))
    called: list[str] = []

    def answer() -> None:
        while True:
            try:
                message = connection.receive()
            except (OSError, EOFError):
                return
            if message.header.message_type is not MessageType.method_call:
                continue
            member = message.header.fields[3]
            called.append(member)
            if member == "Setup":
                assert message.header.fields[HeaderFields.signature] == SETUP_SIGNATURE
            if member == "GetManagedObjects":
                connection.send(new_method_return(message, "a{oa{sa{sv}}}", (modems,)))
            elif member == "Setup":
                modems[PATH][SIGNAL]["Rate"] = ("u", message.body[0])
                connection.send(new_method_return(message))
            else:
                connection.send(new_error(message, "org.freedesktop.DBus.Error.UnknownMethod"))

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    try:
        yield called
    finally:
        connection.sock.shutdown(2)
        thread.join(10)
        connection.close()


def source(**options: object) -> ModemSource:
    context = Context(name="modem-1", clock=settable_clock(), mark=lambda: None, report=lambda *_, **__: None)
    return ModemSource(options, context)


def looks(made: ModemSource, many: int) -> list[Reading]:
    """What it emits at so many looks."""
    emitted: list[Reading] = []
    stop, left = threading.Event(), [None] * many

    def wait(_: threading.Event, __: float) -> bool:
        left.pop()
        if not left:
            stop.set()
        return stop.is_set()

    def emit(readings: Sequence[Reading], *, mark: str | None = None) -> None:
        assert mark is None
        emitted.extend(readings)

    clock: Any = made._context.clock
    clock.wait = wait
    made.run(emit, stop)
    return emitted


def test_a_level_is_read_where_the_description_has_one() -> None:
    assert set(NETWORKS) == {network for network, members in MEMBERS.items() if "rssi" in members}


def test_of_a_modem_on_5g_alone_nothing_is_said() -> None:
    measured = {"rsrp": ("d", -95.0), "rsrq": ("d", -11.0), "snr": ("d", 14.0)}
    assert strongest_dbm({PATH: {SIGNAL: {"Nr5g": ("a{sv}", measured)}}}) is None


def test_the_strongest_level_is_a_reading_at_each_look(bus: str) -> None:
    with modem_manager(bus, modem(Umts=-97.0, Lte=-71.5)):
        readings = looks(source(), 2)
    assert [reading.values for reading in readings] == [{"signal_strength": -71.5}] * 2
    assert readings[0].units == {"signal_strength": "dBm"}


def test_a_modem_that_does_not_measure_is_asked_to_once(bus: str) -> None:
    with modem_manager(bus, modem(rate=0, Lte=-80.0)) as called:
        looks(source(every_s=7), 3)
    assert called.count("Setup") == 1
    assert called.count("GetManagedObjects") == 3


def test_without_a_modem_nothing_is_said(bus: str) -> None:
    with modem_manager(bus, {}):
        assert looks(source(), 1) == []


@pytest.mark.usefixtures("bus")
def test_without_the_service_it_is_tried_again() -> None:
    with refused(SourceAway, "modem_away", why="org.freedesktop.DBus.Error.ServiceUnknown"):
        looks(source(), 1)


def test_without_a_bus_it_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    with refused(SourceAway, "modem_away"):
        looks(source(), 1)


@pytest.mark.parametrize("level", [0.0, -200.0, float("nan"), "strong", None])
def test_what_is_no_level_gives_nothing(level: object) -> None:
    assert strongest_dbm({PATH: {SIGNAL: {"Lte": ("a{sv}", {"rssi": ("d", level)})}}}) is None
    assert strongest_dbm({PATH: {SIGNAL: {"Lte": ("s", "none")}}}) is None
    assert strongest_dbm({}) is None


def test_only_a_modem_that_can_measure_is_asked_to() -> None:
    assert without_rate(
        {"/a": {}, "/b": {SIGNAL: {"Rate": ("u", 0)}}, "/c": {SIGNAL: {"Rate": ("u", 5)}}}
    ) == ["/b"]


def test_options_that_it_does_not_know_are_refused() -> None:
    with pytest.raises(SourceWrong):
        source(path="/dev/ttyUSB0")


def test_it_is_found_by_its_name() -> None:
    assert find_source("modem") is ModemSource
