"""
Signal of the machine's modems, as ModemManager says it by D-Bus, where the system has one.

Interface org.freedesktop.ModemManager1.Modem.Signal (its description in Debian's modemmanager-dev 1.20.4,
usr/share/dbus-1/interfaces): a modem measures after Setup(rate), and has its level as rssi [dBm] for each
kind of network that it is on. The strongest counts. Of 5G (Nr5g) it has rsrp alone, the power of a reference
signal, which is another measure: a modem on 5G alone gives nothing.
Promises: reads alone, but for asking a modem to measure; a level that no modem can have gives nothing; no
call waits longer than `CALL_S`. A bus, service or modem that is not there is tried again.
Leaves to others: restarting (`gateway.commands.run`).

Options: `every_s` between two looks (30).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import closing
from typing import Any, Final

from jeepney import DBusAddress, MessageType, new_method_call
from jeepney.bus import get_bus
from jeepney.io.blocking import DBusConnection, prep_socket
from jeepney.wrappers import DBusErrorResponse

from cleanside.gateway.errors import SourceAway, why
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.options import Options
from cleanside.gateway.wire import Reading

CALL_S: Final = 10.0
SERVICE: Final = "org.freedesktop.ModemManager1"
SIGNAL: Final = f"{SERVICE}.Modem.Signal"
#: properties of a modem's signal that have an rssi, one for each kind of network
NETWORKS: Final = ("Cdma", "Evdo", "Gsm", "Umts", "Lte")
WEAKEST_DBM, STRONGEST_DBM = -130.0, -20.0  # beyond that it is no level (chosen)
_MODEMS: Final = DBusAddress(
    "/org/freedesktop/ModemManager1", bus_name=SERVICE, interface="org.freedesktop.DBus.ObjectManager"
)

#: path of a modem -> its interfaces -> their properties, as D-Bus has them: (type, value)
Modems = Mapping[str, Mapping[str, Mapping[str, tuple[str, Any]]]]


class BoundedConnection(DBusConnection):  # type: ignore[misc]  # the library has no types
    """A connection whose calls end: the library's own first call would wait for ever."""

    def send_and_get_reply(self, message: Any, *, timeout: float | None = None, **more: Any) -> Any:
        """The reply. Raises TimeoutError after `CALL_S`."""
        return super().send_and_get_reply(message, timeout=CALL_S if timeout is None else timeout, **more)


class ModemSource:
    """The modems of one machine."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work."""
        given = Options(context.name, options)
        self._every_s = given.number("every_s", 30.0) or 30.0
        given.done()
        self._context = context

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Look every so often until `stop`. Raises SourceAway where there is no bus or no ModemManager."""
        try:
            with closing(BoundedConnection(prep_socket(get_bus("SYSTEM"), timeout=CALL_S))) as bus:
                while not stop.is_set():
                    self._look(bus, emit)
                    self._context.clock.wait(stop, self._every_s)
        except (OSError, KeyError, ValueError, DBusErrorResponse) as error:
            raise SourceAway("modem_away", source=self._context.name, why=_why(error)) from error

    def _look(self, bus: BoundedConnection, emit: Emit) -> None:
        (modems,) = _call(bus, new_method_call(_MODEMS, "GetManagedObjects"))
        for path in without_rate(modems):
            setup = DBusAddress(path, bus_name=SERVICE, interface=SIGNAL)
            _call(bus, new_method_call(setup, "Setup", "u", (max(1, round(self._every_s)),)))
        level = strongest_dbm(modems)
        if level is not None:
            emit([Reading(values={"signal_strength": level}, units={"signal_strength": "dBm"})])


def _call(bus: BoundedConnection, message: Any) -> tuple[Any, ...]:
    """What a call answers. Raises DBusErrorResponse, OSError."""
    reply = bus.send_and_get_reply(message)
    if reply.header.message_type is MessageType.error:
        raise DBusErrorResponse(reply)
    body: tuple[Any, ...] = reply.body
    return body


def _why(error: Exception) -> str:
    """The name of a D-Bus error, which quotes nothing; else the system's text."""
    return error.name if isinstance(error, DBusErrorResponse) else why(error)


# ---------------------------------------------------------------- what modems say, pure


def strongest_dbm(modems: Modems) -> float | None:
    """The strongest level of all modems and networks; None: none is known."""
    return max(_levels(modems), default=None)


def _levels(modems: Modems) -> Iterator[float]:
    for interfaces in modems.values():
        signal = interfaces.get(SIGNAL, {})
        for network in NETWORKS:
            _, measured = signal.get(network, ("", {}))
            _, level = measured.get("rssi", ("", None)) if isinstance(measured, Mapping) else ("", None)
            if isinstance(level, float) and WEAKEST_DBM <= level <= STRONGEST_DBM:
                yield level


def without_rate(modems: Modems) -> list[str]:
    """Paths of the modems that can measure their signal and do not."""
    return [
        path
        for path, interfaces in modems.items()
        if SIGNAL in interfaces and interfaces[SIGNAL].get("Rate", ("u", 0))[1] == 0
    ]
