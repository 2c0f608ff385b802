"""From a source to the spool, while the disk fails and works again."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import apsw
import pytest

from gateway.feed import BRIDGE_READINGS, Bridge, Feed
from gateway.wire import Reading

from .helpers import UNITS, numbers, open_spool, readings, server_anchor, settable_clock
from .simulated_disk import Disk


class Bench:
    """A feed into a spool on a disk that fails when told."""

    def __init__(self, path: Path) -> None:
        self.clock = settable_clock()
        self.disk = Disk()
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.spool = open_spool(path, self.clock, vfs=self.disk.vfs)
        self.stop = threading.Event()
        self.feed = Feed(
            self.spool,
            {"use": "ndjson", "units": {"restriction": "kPa"}},
            number=1,
            clock=self.clock,
            log=lambda name, **fields: self.events.append((name, fields)),
            stop=self.stop,
        )

    def break_disk(self) -> None:
        def fault(_: int, what: str) -> None:
            raise apsw.IOError(f"{what} failed")

        self.disk.fault = fault

    def mend_disk(self) -> None:
        self.disk.fault = lambda _number, _what: None


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a")
    yield made
    made.mend_disk()
    made.spool.close()
    made.disk.unregister()


def test_readings_that_the_disk_does_not_take_are_bridged_and_appended_in_order_with_their_times(
    bench: Bench,
) -> None:
    truth = []
    for number in range(1, 6):
        if number == 2:
            bench.break_disk()
        bench.clock.advance(10)
        truth.append(bench.clock.true_us())
        bench.feed._emit(readings(number, number, timed=False))
    bench.mend_disk()
    bench.clock.advance(100)
    bench.feed.flush()
    bench.spool.anchor(server_anchor(bench.clock))
    batch = bench.spool.peek()
    assert batch is not None
    assert numbers(batch) == [1, 2, 3, 4, 5]
    assert [abs((at or 0) - true) < 100_000 for at, true in zip(batch.at_us, truth, strict=True)] == [
        True
    ] * 5
    assert [name for name, _ in bench.events].count("gateway.append_failed") == 4


def test_what_the_bridge_loses_is_counted_and_told_to_the_server(bench: Bench) -> None:
    bench.break_disk()
    for first in range(1, BRIDGE_READINGS + 251, 250):
        bench.feed._emit(readings(first, first + 249))
    bench.mend_disk()
    bench.feed._emit(readings(20_001, 20_001))
    assert next(
        (name, fields.pop("level"), fields)
        for name, fields in bench.events
        if name == "gateway.readings_lost"
    ) == ("gateway.readings_lost", 40, {"source": "ndjson-1", "count": 500})
    bench.spool.append(readings(20_002, 20_002))
    batches = []
    while (batch := bench.spool.peek(max_readings=5000, max_bytes=2**22)) is not None:
        batches.append(batch)
        bench.spool.acknowledge(batch.stream or "", (batch.seq or [0])[-1])
    assert [n for batch in batches for n in numbers(batch)][:1] == [501]
    events = [event for batch in batches if batch.gateway for event in batch.gateway.events]
    assert [(e["event"], e["count"]) for e in events] == [("readings_lost", 500)]


def test_a_source_that_can_wait_waits_for_the_disk_and_is_not_bridged(bench: Bench) -> None:
    bench.break_disk()
    thread = threading.Thread(target=lambda: bench.feed._emit(readings(1, 3), mark="3"))
    thread.start()
    bench.mend_disk()
    thread.join(10)
    assert not thread.is_alive()
    assert bench.spool.mark("ndjson-1") == "3"
    assert numbers(bench.spool.peek()) == [1, 2, 3]


def test_a_reading_that_is_none_is_reported_and_takes_no_other_with_it(bench: Bench) -> None:
    bad = Reading(at=None, values={"restriction": float("inf")}, units=UNITS)
    bench.feed._emit([*readings(1, 1), bad, *readings(2, 2)])
    assert numbers(bench.spool.peek()) == [1, 2]
    assert [name for name, _ in bench.events] == ["gateway.reading_refused"]


def test_a_bridge_keeps_the_newest_and_never_more_than_its_bound() -> None:
    bridge = Bridge(most=10)
    for first in range(1, 30, 4):
        bridge.take(readings(first, first + 3), first)
    held = []
    while (oldest := bridge.oldest()) is not None:
        held += [int(r.values["engine_speed"]) for r in oldest[0]]
        bridge.drop_oldest()
    assert held == list(range(25, 33))
    assert bridge.lost == 24
