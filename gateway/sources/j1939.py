"""
Readings from the machine's own CAN bus (SAE J1939): restriction, ambient pressure, speed, voltage and more.

Promises: listens and never sends, unless a person opted in; a code for "not available" or "error" is no
value; a value that was not received lately is left out. Needs the package `python-can`; any bus it knows.
Leaves to others: electrical fitting. Fit by the machine maker's instructions, with the engine off, the key
out and the machine secured; put the interface itself into listen-only mode; local rules prevail.

Options: `interface` and `channel` as python-can has them ("socketcan", "can0"), further ones in `bus`;
`every_s` between two readings (1); `filter` 1 to 4, which air filter's restriction (1); `address` of the
controller to listen to (absent: all). Opt-in: `ask_hours_every_s` asks for the engine hours, which come on
request only. It needs `own_address`, a source address that the machine's maker allows this gateway to use.

Parameters: copies of the J1939 Digital Annex (Oct 2020) in the public sources of j1939-84 (MIT) and canboat;
the SAE's own text was not read.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from cleanside.gateway.errors import SourceAway, SourceWrong, why
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.options import Options
from cleanside.gateway.timing.clock import Clock
from cleanside.gateway.wire import Reading

if TYPE_CHECKING:
    import can

STALE_S: Final = 5.0  # five times the slowest of those that come by themselves (chosen)
_LOOK_S: Final = 0.2  # how soon a stop is noticed
_REQUEST_PGN: Final = 59904
_HOURS_PGN: Final = 65253
_GLOBAL_ADDRESS: Final = 255
_ERROR, _NOT_AVAILABLE = 0xFE, 0xFF  # high byte of a value that is a code
_DECIMALS: Final = 5  # what the resolutions below need; the rest is dust of binary fractions


@dataclass(frozen=True, slots=True)
class Parameter:
    """One suspect parameter: its group, its place in it, and its scale."""

    spn: int
    pgn: int
    #: bytes, numbered from 1 as the Digital Annex does
    first: int
    last: int
    scale: float
    offset: float
    quantity: str
    unit: str


_FILTERS = {
    1: Parameter(107, 65270, 5, 5, 0.05, 0, "restriction", "kPa"),
    2: Parameter(2809, 64976, 1, 1, 0.05, 0, "restriction", "kPa"),
    3: Parameter(2810, 64976, 2, 2, 0.05, 0, "restriction", "kPa"),
    4: Parameter(2811, 64976, 3, 3, 0.05, 0, "restriction", "kPa"),
}
PARAMETERS = (
    Parameter(102, 65270, 2, 2, 2, 0, "boost_pressure", "kPa"),
    Parameter(105, 65270, 3, 3, 1, -40, "intake_temperature", "Cel"),
    Parameter(108, 65269, 1, 1, 0.5, 0, "ambient_pressure", "kPa"),
    Parameter(171, 65269, 4, 5, 0.03125, -273, "air_temperature", "Cel"),
    Parameter(190, 61444, 4, 5, 0.125, 0, "engine_speed", "r/min"),
    Parameter(92, 61443, 3, 3, 1, 0, "engine_load", "%"),
    Parameter(132, 61450, 3, 4, 0.05, 0, "air_mass_flow", "kg/h"),
    Parameter(168, 65271, 5, 6, 0.05, 0, "supply_voltage", "V"),
    Parameter(247, _HOURS_PGN, 1, 4, 0.05, 0, "engine_hours", "h"),
)


def group_and_address(can_id: int) -> tuple[int, int]:
    """Parameter group and source address of a 29-bit identifier. A group sent to one has no low byte."""
    pdu_format, pdu_specific, page = can_id >> 16 & 0xFF, can_id >> 8 & 0xFF, can_id >> 24 & 3
    return page << 16 | pdu_format << 8 | (pdu_specific if pdu_format >= 240 else 0), can_id & 0xFF


def value_of(parameter: Parameter, data: bytes) -> float | None:
    """The value of a parameter in the data of its group; None: a code, or the data is too short."""
    if len(data) < parameter.last:
        return None
    # The high byte decides: up to FA a value, beyond it a code (specific, reserved, error, not available).
    if data[parameter.last - 1] > 0xFA:
        return None
    raw = int.from_bytes(data[parameter.first - 1 : parameter.last], "little")
    return round(raw * parameter.scale + parameter.offset, _DECIMALS)


class Heard:
    """The latest value of each quantity, and when it was received."""

    def __init__(self, parameters: Iterable[Parameter], *, hours_stale_s: float = STALE_S) -> None:
        self._by_group: dict[int, list[Parameter]] = {}
        for parameter in parameters:
            self._by_group.setdefault(parameter.pgn, []).append(parameter)
        self._hours_stale_s = hours_stale_s
        self._values: dict[str, tuple[float, int]] = {}
        self._codes: dict[str, tuple[int, int]] = {}  # quantity -> high byte of its last code, and when
        self.units = {p.quantity: p.unit for group in self._by_group.values() for p in group}

    def hear(self, pgn: int, data: bytes, now_us: int) -> None:
        """Take the values of a frame; a code removes the previous value."""
        for parameter in self._by_group.get(pgn, ()):
            value = value_of(parameter, data)
            if value is None:
                self._values.pop(parameter.quantity, None)
                if len(data) >= parameter.last:
                    self._codes[parameter.quantity] = data[parameter.last - 1], now_us
            else:
                self._values[parameter.quantity] = (value, now_us)

    def code(self, quantity: str, now_us: int) -> int | None:
        """High byte of the code that was received lately in place of a value; None: none was."""
        byte, at_us = self._codes.get(quantity, (0, 0))
        return byte if byte and now_us - at_us <= 1e6 * STALE_S else None

    def reading(self, now_us: int) -> Reading | None:
        """The recently received values as a reading; None where there are none."""
        values = {
            quantity: value
            for quantity, (value, at_us) in self._values.items()
            if now_us - at_us <= 1e6 * (self._hours_stale_s if quantity == "engine_hours" else STALE_S)
        }
        return Reading(values=values, units=self.units) if values else None


def lacks(parameter: Parameter, code: int | None) -> str:
    """Why a reading has no restriction, and what to do. code : as of `Heard.code`."""
    said = {_NOT_AVAILABLE: '"not available"', _ERROR: '"error"', None: "nothing"}
    if code == _ERROR:
        next_step = "check the sensor and its cable by the machine maker’s manual"
    else:
        asked = "has this engine the sensor, and is `filter` the right one?"
        next_step = f"{asked} Ask the machine\u2019s maker, or fit a sensor"
    return f"the bus says {said.get(code, 'a code')} for SPN {parameter.spn}; {next_step}"


class J1939Source:
    """A machine's CAN bus."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work, or where python-can is not installed."""
        given = Options(context.name, options)
        self._clock: Clock = context.clock
        self._bus_options = given.table("bus") | {
            "interface": given.needed("interface"),
            "channel": given.needed("channel"),
        }
        self._every_s = given.number("every_s", 1.0) or 1.0
        number = given.number("filter", 1) or 1
        if number not in _FILTERS:
            raise given.wrong("filter_unknown", number=number)
        self._address = given.address("address")
        self._ask_every_s = given.number("ask_hours_every_s")
        self._own_address = given.address("own_address")
        if (self._ask_every_s is None) != (self._own_address is None):
            raise given.wrong("own_address_missing")
        given.done()
        self._restriction, self._lacks = _FILTERS[int(number)], context.lacks_restriction
        self._heard = Heard(
            (self._restriction, *PARAMETERS), hours_stale_s=2 * (self._ask_every_s or STALE_S)
        )
        self._can = _python_can(context.name)

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Listen, and emit the received values every so often."""
        try:
            bus = self._can.Bus(**self._bus_options)
        except (
            OSError,
            ValueError,
            self._can.CanError,
        ) as error:  # an adapter that is not there yet may come
            where = f"{self._bus_options['interface']} {self._bus_options['channel']}"
            raise SourceAway("bus_away", where=where, why=why(error)) from error
        try:
            self._listen(bus, emit, stop)
        finally:
            bus.shutdown()

    def _listen(self, bus: can.BusABC, emit: Emit, stop: threading.Event) -> None:
        began_us = self._clock.since_boot_us()
        due_us = began_us + self._every_s * 1e6
        ask_us = float(began_us)
        while not stop.is_set():
            now_us = self._clock.since_boot_us()
            if self._ask_every_s is not None and now_us >= ask_us:
                self._ask_hours(bus)
                ask_us = now_us + self._ask_every_s * 1e6
            if now_us >= due_us:
                due_us = max(due_us + self._every_s * 1e6, now_us)
                if (reading := self._heard.reading(now_us)) is not None:
                    if "restriction" not in reading.values:
                        self._lacks(lacks(self._restriction, self._heard.code("restriction", now_us)))
                    emit([reading])
            self._hear(bus.recv(min(_LOOK_S, max(0.0, (due_us - now_us) / 1e6))))

    def _hear(self, message: can.Message | None) -> None:
        if message is None or not message.is_extended_id or message.is_error_frame or message.is_remote_frame:
            return
        pgn, address = group_and_address(message.arbitration_id)
        if self._address is None or address == self._address:
            self._heard.hear(pgn, bytes(message.data), self._clock.since_boot_us())

    def _ask_hours(self, bus: can.BusABC) -> None:
        assert self._own_address is not None
        target = self._address if self._address is not None else _GLOBAL_ADDRESS
        # Priority 6, group 59904 (request) to `target`: three bytes name the group that is asked for.
        identifier = 6 << 26 | _REQUEST_PGN << 8 | target << 8 | self._own_address
        data = _HOURS_PGN.to_bytes(3, "little")
        bus.send(self._can.Message(arbitration_id=identifier, data=data, is_extended_id=True))


def _python_can(source: str) -> Any:
    try:
        import can
    except ImportError as error:
        raise SourceWrong("package_missing_j1939", source=source) from error
    return can
