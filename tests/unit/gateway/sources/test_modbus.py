"""A genset's controller, on pymodbus' own simulator over TCP and over a serial line."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

import pytest
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.simulator import DataType, SimData

from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.sources import Context, find_source
from cleanside.gateway.sources.modbus import ModbusSource, Register
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.wire import Reading
from tests.support.coded import refused
from tests.support.gatewaying import wait_until
from tests.support.genset import Controller

INPUTS = [
    SimData(40, values=305, datatype=DataType.UINT16),
    SimData(41, values=65_535, datatype=DataType.UINT16),
    SimData(42, values=-12, datatype=DataType.INT16),
    SimData(50, values=101.325, datatype=DataType.FLOAT32),
]
# 1 234 567 twentieths of an hour, as two registers.
HOLDING = [SimData(100, values=1_234_567, datatype=DataType.UINT32)]
REGISTERS: dict[str, dict[str, Any]] = {
    "restriction": {"unit": "kPa", "table": "input", "address": 40, "type": "uint16", "scale": 0.01},
    "boost_pressure": {
        "unit": "kPa",
        "table": "input",
        "address": 41,
        "type": "uint16",
        "not_available": [65_535],
    },
    "air_temperature": {"unit": "Cel", "table": "input", "address": 42, "type": "int16"},
    "ambient_pressure": {"unit": "kPa", "table": "input", "address": 50, "type": "float32"},
    "engine_hours": {"unit": "h", "table": "holding", "address": 100, "type": "uint32", "scale": 0.05},
}


class Bench:
    """A source in a thread of its own, and what it emitted and reported."""

    def __init__(self, **options: Any) -> None:
        self.readings: list[Reading] = []
        self.reports: list[dict[str, Any]] = []
        self.failure: BaseException | None = None
        self.stop = threading.Event()
        context = Context(
            name="modbus-1",
            clock=SystemClock(),
            mark=lambda: None,
            report_part=self._report,
            report=self._report,
        )
        given = {"registers": REGISTERS, "every_s": 0.05, "timeout_s": 0.5} | options
        self._source = ModbusSource(given, context)
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            self._source.run(self._emit, self.stop)
        except Exception as error:
            self.failure = error

    def _report(self, what: str, **fields: Any) -> None:
        self.reports.append({"what": what, **fields})

    def _emit(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        assert mark is None
        self.readings += readings

    def until(self, count: int) -> list[Reading]:
        """Wait for so many readings."""
        wait_until(lambda: len(self.readings) >= count, f"{count} readings", deadline_s=15)
        return self.readings

    def end(self) -> None:
        """Stop, and wait."""
        self.stop.set()
        self.thread.join(5)
        assert not self.thread.is_alive()


@pytest.fixture(scope="module")
def controller() -> Iterator[Controller]:
    with Controller(HOLDING, INPUTS).over_tcp() as made:
        yield made


def test_it_is_found_under_its_name() -> None:
    assert find_source("modbus") is ModbusSource


def test_registers_become_a_reading_in_the_units_of_the_manual(controller: Controller) -> None:
    bench = Bench(host="127.0.0.1", port=controller.port)
    reading = bench.until(2)[-1]
    bench.end()
    assert reading.at is None  # stamped by the boot's clock
    assert reading.values["restriction"] == 3.05  # 305 hundredths, in decimals
    assert reading.values["air_temperature"] == -12
    assert reading.values["ambient_pressure"] == pytest.approx(101.325, rel=2**-23)  # as a float32 has it
    assert reading.values["engine_hours"] == 61_728.35
    assert "boost_pressure" not in reading.values  # 65535 stands for not available
    assert reading.units["engine_hours"] == "h"
    assert bench.reports == []


def test_it_reads_and_never_writes(controller: Controller) -> None:
    controller.codes.clear()
    bench = Bench(host="127.0.0.1", port=controller.port)
    bench.until(5)
    bench.end()
    # MODBUS Application Protocol V1.1b3, 6.3 and 6.4: 03 read holding registers, 04 read input registers.
    assert set(controller.codes) == {3, 4}


def test_a_serial_line_is_read_the_same_way() -> None:
    controller = Controller(HOLDING, INPUTS)
    with controller.over_serial() as port:
        bench = Bench(serial=port, baud=19_200, parity="none", timeout_s=2)  # a pty has no parity
        reading = bench.until(1)[0]
        bench.end()
    assert reading.values["restriction"] == 3.05
    assert reading.values["engine_hours"] == 61_728.35
    assert set(controller.codes) == {3, 4}


def test_a_register_that_does_not_exist_is_reported_and_the_others_are_taken(controller: Controller) -> None:
    wrong = REGISTERS["restriction"] | {"address": 4000}
    bench = Bench(host="127.0.0.1", port=controller.port, registers=REGISTERS | {"restriction": wrong})
    reading = bench.until(1)[0]
    bench.end()
    assert "restriction" not in reading.values
    assert reading.values["engine_hours"] == 61_728.35
    first = bench.reports[0]
    assert (first["what"], first["register"]) == ("register_not_read", "input 4000")
    assert "exception 2" in first["reason"]  # illegal data address, V1.1b3 section 7


def test_a_controller_that_goes_away_is_said_so_and_found_by_the_next_start() -> None:
    with Controller(HOLDING, INPUTS).over_tcp() as controller:
        bench = Bench(host="127.0.0.1", port=controller.port)
        bench.until(1)
    bench.thread.join(15)
    assert isinstance(bench.failure, ConnectionError)
    assert f"127.0.0.1:{controller.port}" in str(bench.failure)
    with Controller(HOLDING, INPUTS).over_tcp(controller.port):
        bench = Bench(host="127.0.0.1", port=controller.port)
        bench.until(1)
        bench.end()


def test_a_controller_that_never_answers_is_given_up_in_time() -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as silent:
        bench = Bench(host="127.0.0.1", port=silent.getsockname()[1], timeout_s=0.2)
        bench.thread.join(10)
        assert isinstance(bench.failure, ConnectionError)


LIBRARY = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
}


@pytest.mark.parametrize("is_low_first", [False, True])
@pytest.mark.parametrize(
    ("kind", "number"),
    [
        ("int16", -32_768),
        ("int16", 32_767),
        ("uint16", 65_535),
        ("int32", -2_147_483_648),
        ("int32", 70_000),
        ("uint32", 4_294_967_295),
        ("float32", 3.25),
        ("float32", -0.5),
    ],
)
def test_a_number_is_what_the_library_says_it_is(kind: str, number: float, is_low_first: bool) -> None:
    order: Any = "little" if is_low_first else "big"
    words = ModbusClientMixin.convert_to_registers(number, LIBRARY[kind], word_order=order)
    register = Register(
        quantity="restriction", unit="Pa", table="input", address=0, type=kind, is_low_first=is_low_first
    )
    assert register.count == len(words)
    assert register.value_of(words) == number


def test_scale_and_offset_are_decimals_as_in_a_manual() -> None:
    register = Register(
        quantity="air_temperature",
        unit="Cel",
        table="input",
        address=0,
        type="uint16",
        scale=Decimal("0.1"),
        offset=Decimal("-40"),
    )
    assert register.value_of([653]) == 25.3
    assert 653 * 0.1 - 40 != 25.3  # what binary fractions would have made of it


@pytest.mark.parametrize("words", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0]])
def test_a_number_that_is_none_is_no_value(words: list[int]) -> None:
    # IEEE 754 binary32: a quiet NaN and both infinities.
    register = Register(quantity="restriction", unit="Pa", table="input", address=0, type="float32")
    assert register.value_of(words) is None


GOOD = REGISTERS["restriction"]


@pytest.mark.parametrize(
    ("options", "code", "values"),
    [
        ({"registers": {}}, "registers_missing", {}),
        ({"host": None}, "host_or_serial", {}),
        ({"serial": "/dev/ttyS0"}, "host_or_serial", {}),
        (
            {"host": None, "serial": "x", "parity": "some"},
            "option_not_one_of",
            {"name": "parity", "words": "even, odd, none"},
        ),
        ({"unit_id": 256}, "option_not_a_whole_number", {"name": "unit_id", "lowest": 0, "highest": 255}),
        ({"registers": {"restriction": 3}}, "option_missing", {"name": "unit"}),
        ({"registers": {"smell": GOOD}}, "quantity_unknown", {"quantity": "smell"}),
        ({"registers": {"restriction": GOOD | {"unit": "V"}}}, "unit_not_accepted", {"unit": "V"}),
        (
            {"registers": {"restriction": GOOD | {"table": "coil"}}},
            "option_not_one_of",
            {"words": "holding, input"},
        ),
        (
            {"registers": {"restriction": GOOD | {"type": "bcd"}}},
            "option_not_one_of",
            {"name": "type", "value": "bcd"},
        ),
        (
            {"registers": {"restriction": GOOD | {"address": 65_536}}},
            "option_not_a_whole_number",
            {"name": "address", "highest": 65_535},
        ),
        (
            {"registers": {"restriction": {k: v for k, v in GOOD.items() if k != "address"}}},
            "option_not_a_whole_number",
            {"name": "address"},
        ),
        (
            {"registers": {"restriction": GOOD | {"type": "int16", "not_available": [65_535]}}},
            "option_not_a_list_of_whole_numbers",
            {"highest": 32_767},
        ),
        (
            {"registers": {"restriction": GOOD | {"word_order": "mixed"}}},
            "option_not_one_of",
            {"words": "high_first, low_first"},
        ),
        ({"registers": {"restriction": GOOD | {"write": 1}}}, "option_unknown", {"options": "write"}),
        ({"slave": 1}, "option_unknown", {"options": "slave"}),
    ],
)
def test_options_that_cannot_work_are_refused(
    options: dict[str, Any], code: str, values: dict[str, Any]
) -> None:
    context = Context(name="modbus-1", clock=SystemClock(), mark=lambda: None, report=lambda *_, **__: None)
    given = {"host": "127.0.0.1", "registers": REGISTERS} | options
    with refused(SourceWrong, code, **values):
        ModbusSource({name: value for name, value in given.items() if value is not None}, context)
