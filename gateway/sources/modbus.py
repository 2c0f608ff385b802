"""
Readings from a controller's registers over Modbus, TCP or serial RTU: mostly gensets.

Promises: only reads (function codes 03 and 04) and writes nothing to a controller, ever; a value that takes
two registers is read in one request, so that its halves belong together; a register that cannot be read is
reported, and the others are taken; a value that stands for "not available" is no value.
Leaves to others: starting again without an answer, with growing waits (`gateway.commands.feed`).

Which register holds what, in which unit and scale, is in the manual of the controller's maker and nowhere
else: nothing is guessed. Ask the maker whether reading in service is allowed. Wiring is for qualified people,
by the maker's instructions, with the set shut down, secured against starting and locked out: a genset starts
by itself, and its terminals can be live while it stands. Local rules prevail.

Options: `host` and `port` (502), or `serial` (a device such as "/dev/ttyS1") with `baud` (19200), `parity`
("even", "odd", "none"; even) and `stop_bits` (1); `unit_id` (1); `every_s` between two readings (10);
`timeout_s` to wait for an answer (1); and for each quantity a table `registers.<quantity>` with `unit`,
`table` ("holding" or "input"), `address` (as on the wire, from 0: the first, in some manuals 40001 or 30001,
is 0), `type` ("int16", "uint16", "int32", "uint32", "float32"), `word_order` ("high_first" or "low_first";
high_first), `scale` (1), `offset` (0; value = number in the register x scale + offset), `not_available`
(numbers that are no value). Needs the package `pymodbus`.

MODBUS Application Protocol Specification V1.1b3, sections 4.3, 6.3 and 6.4; MODBUS over Serial Line V1.02,
section 2.5.1.
"""

from __future__ import annotations

import math
import struct
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from cleanside.gateway.errors import SourceAway, SourceWrong, why
from cleanside.gateway.sources import Context, Emit
from cleanside.gateway.sources.options import Options
from cleanside.gateway.wire import Reading

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

    Client = ModbusTcpClient | ModbusSerialClient

_AGAIN: Final = 1  # further tries of one request; what fails then is in the next reading, if it is there
_PARITIES: Final = {"even": "E", "odd": "O", "none": "N"}
#: type -> how its bytes are packed (big endian, as each register is), and its lowest and highest number
_TYPES: Final = {
    "int16": (">h", -(2**15), 2**15 - 1),
    "uint16": (">H", 0, 2**16 - 1),
    "int32": (">i", -(2**31), 2**31 - 1),
    "uint32": (">I", 0, 2**32 - 1),
    "float32": (">f", 0, 0),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Register:
    """Where a quantity stands, and how it is read."""

    quantity: str
    unit: str
    #: "holding" or "input"
    table: str
    #: as on the wire, from 0
    address: int
    type: str
    is_low_first: bool = False
    scale: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    #: numbers in the register that are no value
    not_available: frozenset[int] = frozenset()

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return struct.calcsize(_TYPES[self.type][0]) // 2

    def value_of(self, words: Sequence[int]) -> float | None:
        """The value in `unit`. words : `count` registers, 0 to 65535. None: not available, or no number."""
        high_first = reversed(words) if self.is_low_first else words
        (number,) = struct.unpack(_TYPES[self.type][0], struct.pack(f">{self.count}H", *high_first))
        if number in self.not_available or not math.isfinite(number):
            return None
        # In decimals, as the manual has them: 305 x 0.01 is 3.05 and not 3.0500000000000003.
        return float(Decimal(number) * self.scale + self.offset)


class ModbusSource:
    """One unit of a controller."""

    def __init__(self, options: Mapping[str, Any], context: Context) -> None:
        """Raises SourceWrong for options that cannot work, or where pymodbus is not installed."""
        given = Options(context.name, options)
        self._context = context
        self._registers = [
            _register(context.name, quantity, entry) for quantity, entry in given.table("registers").items()
        ]
        if not self._registers:
            raise given.wrong("registers_missing")
        self._units = {register.quantity: register.unit for register in self._registers}
        self._unit_id = given.whole("unit_id", 1, lowest=0, highest=255)
        self._every_s = given.number("every_s", 10.0) or 10.0
        self._place = _place(given)
        given.done()
        self._library = _pymodbus(context.name)

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Read all registers every so often until `stop`. Raises SourceAway when there is no answer."""
        client = self._client()
        clock = self._context.clock
        due_us = clock.since_boot_us()
        try:
            while not stop.is_set():
                if values := self._values(client, stop):
                    emit([Reading(values=values, units=self._units)])
                due_us = max(due_us + round(self._every_s * 1e6), clock.since_boot_us())
                clock.wait(stop, (due_us - clock.since_boot_us()) / 1e6)
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _client(self) -> Client:
        kind = self._library.serial if "baudrate" in self._place else self._library.tcp
        return kind(**self._place, retries=_AGAIN)

    def _values(self, client: Client, stop: threading.Event) -> dict[str, float]:
        values: dict[str, float] = {}
        for register in self._registers:
            if stop.is_set():
                break
            if (value := self._value(client, register)) is not None:
                values[register.quantity] = value
        return values

    def _value(self, client: Client, register: Register) -> float | None:
        read = client.read_input_registers if register.table == "input" else client.read_holding_registers
        try:
            answer = read(register.address, count=register.count, device_id=self._unit_id)
        except self._library.no_answer as error:
            raise SourceAway("controller_away", controller=self._shown(), why=why(error)) from error
        if answer.isError():
            reason = f"the controller answers exception {answer.exception_code}; check table and address"
        elif len(answer.registers) != register.count:
            reason = f"{len(answer.registers)} registers came, {register.count} were asked for"
        else:
            return register.value_of(answer.registers)
        where = f"{register.table} {register.address}"
        self._context.report_part(
            "register_not_read", quantity=register.quantity, register=where, reason=reason
        )
        return None

    def _shown(self) -> str:
        return f"{self._place.get('host', '')}:{self._place['port']}".lstrip(":")


def _place(given: Options) -> dict[str, Any]:
    """Host or serial line, as the library takes it."""
    host, serial = given.text("host"), given.text("serial")
    if (host is None) == (serial is None):
        raise given.wrong("host_or_serial")
    place: dict[str, Any] = {"timeout": given.number("timeout_s", 1.0) or 1.0}
    if host is not None:
        return place | {"host": host, "port": given.whole("port", 502, lowest=1, highest=65_535)}
    return place | {
        "port": serial,
        "baudrate": given.whole("baud", 19_200, lowest=300, highest=921_600),
        "parity": _PARITIES[given.one_of("parity", "even", words=[*_PARITIES])],
        "stopbits": given.whole("stop_bits", 1, lowest=1, highest=2),
    }


def _register(source: str, quantity: str, entry: Any) -> Register:
    given = Options(f"{source}: registers.{quantity}", entry if isinstance(entry, Mapping) else {})
    _, unit = given.quantity("unit", f"{quantity} {given.needed('unit')}")
    kind = given.one_of("type", "", words=[*_TYPES])
    _, lowest, highest = _TYPES[kind]
    scale, offset = given.number("scale", 1.0), given.number("offset", 0.0, above=-math.inf)
    register = Register(
        quantity=quantity,
        unit=unit,
        table=given.one_of("table", "", words=["holding", "input"]),
        address=given.whole("address", -1, lowest=0, highest=65_535),
        type=kind,
        is_low_first=given.one_of("word_order", "high_first", words=["high_first", "low_first"])
        == "low_first",
        scale=Decimal(repr(scale)),
        offset=Decimal(repr(offset)),
        not_available=frozenset(given.wholes("not_available", lowest=lowest, highest=highest)),
    )
    given.done()
    return register


@dataclass(frozen=True, slots=True)
class _Library:
    """The used parts of pymodbus: two requests, and the errors without an answer."""

    tcp: type[ModbusTcpClient]
    serial: type[ModbusSerialClient]
    no_answer: type[Exception]


def _pymodbus(source: str) -> _Library:
    try:
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient
        from pymodbus.exceptions import ModbusException
    except ImportError as error:
        raise SourceWrong("package_missing_modbus", source=source) from error
    return _Library(ModbusTcpClient, ModbusSerialClient, ModbusException)
