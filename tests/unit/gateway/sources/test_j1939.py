"""The machine's CAN bus, on python-can's virtual bus."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator, Sequence
from typing import Any

import can
import pytest

from cleanside.gateway.errors import SourceWrong
from cleanside.gateway.sources import Context
from cleanside.gateway.sources.j1939 import (
    _FILTERS,
    PARAMETERS,
    STALE_S,
    Heard,
    J1939Source,
    group_and_address,
    value_of,
)
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.units import accepts
from cleanside.gateway.wire import Reading
from tests.support.coded import refused

BY_SPN = {p.spn: p for p in (*_FILTERS.values(), *PARAMETERS)}
_channels = itertools.count()


@pytest.mark.parametrize(
    ("can_id", "data", "expected"),
    [
        # Real frames, canboat analyzer/tests/j1939-pgn-test (Apache-2.0): 21 degC, no SPN 107; 113.2 rpm.
        ("18FEF600", "FFFF3D32FFFFFFFF", {102: None, 105: 21, 107: None}),
        ("0CF00400", "FFFFFF8A03FFFFFF", {190: 113.25}),
        # Constructed from scale and offset of the J1939 Digital Annex as copied in j1939-84 (MIT).
        ("18FEF600", "FFFFFFFF4AFFFFFF", {107: 3.7}),
        ("18FEF600", "FFFFFFFF7CFFFFFF", {107: 6.2}),
        ("18FEF600", "FFFFFFFF7DFFFFFF", {107: 6.25}),
        ("18FEF600", "FFFFFFFF00FFFFFF", {107: 0.0}),
        ("18FEF600", "FFFFFFFFFAFFFFFF", {107: 12.5}),
        # Codes: pretty_j1939 tests/test_spn_indicator_ranges.py; FB is not 12.55 kPa.
        ("18FEF600", "FFFFFFFFFBFFFFFF", {107: None}),
        ("18FEF600", "FFFFFFFFFDFFFFFF", {107: None}),
        ("18FEF600", "FFFFFFFFFEFFFFFF", {107: None}),
        ("18FEF600", "FFFFFFFFFFFFFFFF", {107: None}),
        ("18FEF500", "CAFFFF4025FFFFFF", {108: 101.0, 171: 25.0}),
        ("18FEF700", "FFFFFFFF2402FFFF", {168: 27.4}),
        ("18FEF700", "FFFFFFFFFFFAFFFF", {168: 3212.75}),
        ("18FEF700", "FFFFFFFF00FBFFFF", {168: None}),
        ("18FEF700", "FFFFFFFF00FEFFFF", {168: None}),
        ("18FEE500", "81C40300FFFFFFFF", {247: 12345.65}),
        ("18FEE500", "000000FEFFFFFFFF", {247: None}),
        ("18FDD000", "32FFFFFFFFFFFFFF", {2809: 2.5, 2810: None}),
        ("18FDD000", "FE0A14FFFFFFFFFF", {2809: None, 2810: 0.5, 2811: 1.0}),
        ("18FEF600", "FFFF", {107: None}),
    ],
)
def test_a_frame_says_what_the_published_tables_say(
    can_id: str, data: str, expected: dict[int, float | None]
) -> None:
    pgn, address = group_and_address(int(can_id, 16))
    assert address == 0
    for spn, value in expected.items():
        assert BY_SPN[spn].pgn == pgn
        assert value_of(BY_SPN[spn], bytes.fromhex(data)) == value


def test_a_group_sent_to_one_address_is_the_same_group() -> None:
    assert group_and_address(0x18EA00F9) == (59904, 0xF9)
    assert group_and_address(0x18EAFFF9) == (59904, 0xF9)


def test_every_parameter_comes_in_a_unit_that_measures_its_quantity() -> None:
    assert all(accepts(p.unit, p.quantity) for p in BY_SPN.values())


def test_a_value_that_was_not_heard_lately_or_was_unsaid_is_left_out() -> None:
    heard = Heard([BY_SPN[107], BY_SPN[190]])
    heard.hear(65270, bytes.fromhex("FFFFFFFF4AFFFFFF"), 0)
    heard.hear(61444, bytes.fromhex("FFFFFF8A03FFFFFF"), 0)
    first = heard.reading(int(STALE_S * 1e6))
    assert first is not None
    assert dict(first.values) == {"restriction": 3.7, "engine_speed": 113.25}
    heard.hear(65270, bytes.fromhex("FFFFFFFFFFFFFFFF"), 10)
    second = heard.reading(20)
    assert second is not None
    assert dict(second.values) == {"engine_speed": 113.25}
    assert heard.reading(int(STALE_S * 1e6) + 1) is None


class Bench:
    """A source on a virtual bus, and the machine at its other end."""

    def __init__(self, **options: Any) -> None:
        channel = f"machine-{next(_channels)}"
        self.machine = can.Bus(interface="virtual", channel=channel)
        self.readings: list[Reading] = []
        self.arrived = threading.Event()
        self.stop = threading.Event()
        given = {"interface": "virtual", "channel": channel, "every_s": 0.05, **options}
        self.lacks: list[str] = []
        context = Context(
            name="j1939-1",
            clock=SystemClock(),
            mark=lambda: None,
            report=lambda *_, **__: None,
            lacks_restriction=self.lacks.append,
        )
        self.thread = threading.Thread(target=J1939Source(given, context).run, args=(self.emit, self.stop))
        self.thread.start()

    def emit(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        assert mark is None
        self.readings += readings
        self.arrived.set()

    def say(self, can_id: int, data: str, *, extended: bool = True) -> None:
        self.machine.send(
            can.Message(arbitration_id=can_id, data=bytes.fromhex(data), is_extended_id=extended)
        )

    def until(self, quantity: str, **frames: tuple[int, str]) -> float:
        """Say frames again and again until a reading has the quantity."""
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            for can_id, data in frames.values():
                self.say(can_id, data)
            self.arrived.clear()
            self.arrived.wait(0.1)
            for reading in self.readings:
                if quantity in reading.values:
                    return float(reading.values[quantity])
        raise AssertionError(f"no {quantity} within 10 s")

    def close(self) -> None:
        self.stop.set()
        self.thread.join(5)
        self.machine.shutdown()
        assert not self.thread.is_alive()


@pytest.fixture
def benches() -> Iterator[list[Bench]]:
    made: list[Bench] = []
    yield made
    for bench in made:
        bench.close()


def test_what_the_bus_says_becomes_a_reading_stamped_by_the_boots_clock(benches: list[Bench]) -> None:
    bench = Bench()
    benches.append(bench)
    frame = (0x18FEF600, "FFFFFFFF4AFFFFFF")
    assert bench.until("restriction", frame=frame) == 3.7
    assert bench.readings[-1].at is None
    assert bench.readings[-1].units["restriction"] == "kPa"


def test_it_listens_and_never_sends(benches: list[Bench]) -> None:
    bench = Bench()
    benches.append(bench)
    bench.until("restriction", frame=(0x18FEF600, "FFFFFFFF4AFFFFFF"))
    assert bench.machine.recv(0.3) is None


def test_engine_hours_are_asked_for_only_after_a_person_opted_in(benches: list[Bench]) -> None:
    bench = Bench(ask_hours_every_s=0.2, own_address=0xF9, address=0)
    benches.append(bench)
    asked = bench.machine.recv(10)
    assert asked is not None
    # A request is group 59904, here to address 0 from F9; it names group 65253 (00FEE5), low byte first.
    assert (asked.arbitration_id, bytes(asked.data)) == (0x18EA00F9, bytes.fromhex("E5FE00"))
    assert bench.until("engine_hours", frame=(0x18FEE500, "81C40300FFFFFFFF")) == 12345.65


def test_another_filter_and_another_controller_can_be_listened_to(benches: list[Bench]) -> None:
    bench = Bench(filter=2, address="0x01")
    benches.append(bench)
    frames = {
        "other_controller": (0x18FDD000, "64FFFFFFFFFFFFFF"),
        "other_filter": (0x18FEF601, "FFFFFFFF4AFFFFFF"),
        "ours": (0x18FDD001, "32FFFFFFFFFFFFFF"),
    }
    assert bench.until("restriction", **frames) == 2.5
    assert {r.values["restriction"] for r in bench.readings if "restriction" in r.values} == {2.5}


def test_frames_of_other_protocols_are_passed_over(benches: list[Bench]) -> None:
    bench = Bench()
    benches.append(bench)
    bench.say(0x7E8, "FFFFFFFF4AFFFFFF", extended=False)
    assert bench.until("engine_speed", frame=(0x0CF00400, "FFFFFF8A03FFFFFF")) == 113.25
    assert all("restriction" not in r.values for r in bench.readings)


@pytest.mark.parametrize(
    ("options", "code", "values"),
    [
        ({"interface": ""}, "option_missing", {"name": "interface"}),
        ({"filter": 5}, "filter_unknown", {"number": 5}),
        ({"address": 300}, "option_not_an_address", {"name": "address"}),
        ({"ask_hours_every_s": 60}, "own_address_missing", {}),
        ({"own_address": 249}, "own_address_missing", {}),
        ({"bus": 3}, "option_not_a_table", {"name": "bus"}),
        ({"speed": 250_000}, "option_unknown", {"options": "speed"}),
    ],
)
def test_options_that_cannot_work_are_refused(
    options: dict[str, Any], code: str, values: dict[str, Any]
) -> None:
    context = Context(name="j1939-1", clock=SystemClock(), mark=lambda: None, report=lambda *_, **__: None)
    with refused(SourceWrong, code, **values):
        J1939Source({"interface": "virtual", "channel": "x", **options}, context)


@pytest.mark.parametrize(
    ("restriction", "words"),
    [
        ("FF", '"not available" for SPN 107; has this engine the sensor'),
        ("FE", '"error" for SPN 107; check the sensor and its cable'),
        ("FB", "a code for SPN 107"),
        (None, "nothing for SPN 107; has this engine the sensor"),
    ],
)
def test_why_a_reading_has_no_restriction_is_said(restriction: str | None, words: str) -> None:
    """Codes of a byte: FE error, FF not available (Digital Annex, as copied in pretty_j1939's tests)."""
    bench = Bench()
    try:
        frames = {"speed": (0x0CF00400, "FFFFFF8A03FFFFFF")}
        if restriction is not None:
            frames["boost"] = (0x18FEF600, f"FF32FFFF{restriction}FFFFFF")
        bench.until("engine_speed", **frames)
        bench.readings.clear()
        bench.until("engine_speed", **frames)
    finally:
        bench.close()
    assert words in bench.lacks[-1]
