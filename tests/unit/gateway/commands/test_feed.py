"""From a source to the spool, while the disk fails and works again."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import apsw
import pytest

from cleanside.gateway.commands.feed import BRIDGE_READINGS, Bridge, Feed
from cleanside.gateway.commands.unread import Unread
from cleanside.gateway.errors import SourceAway, SpoolFull
from cleanside.gateway.wire import Reading, instant_text
from tests.unit.gateway.helpers import UNITS, numbers, open_spool, readings, server_anchor, settable_clock
from tests.unit.gateway.simulated_disk import Disk, File, PowerCut


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


def take_lines(bench: Bench, *lines: bytes) -> None:
    """As the source does, with what it read."""
    source: Any = bench.feed._source
    for line in lines:
        if (reading := source._reading(line, {})) is not None:
            bench.feed._emit([reading])
        bench.feed.flush()


def declared(bench: Bench) -> list[dict[str, Any]]:
    events = [event.content for event in bench.spool.unconfirmed(None).events]
    members = ("event", "source", "count", "lines")
    return [{name: event[name] for name in members if name in event} for event in events]


def test_lines_that_cannot_be_read_or_only_in_part_are_declared_to_the_shop(bench: Bench) -> None:
    take_lines(bench, b'{"restriction": 3.13, "note": "hi"}', b"not JSON")
    took = [
        {"event": "readings_in_part", "source": "ndjson-1", "lines": 1},
        {"event": "readings_refused", "source": "ndjson-1", "count": 1},
    ]
    assert declared(bench) == took
    [in_part, refused] = [event.content["reason"] for event in bench.spool.unconfirmed(None).events]
    assert '"note" is not a quantity' in in_part
    assert "not JSON" in refused
    bench.spool.anchor(server_anchor(bench.clock))
    batch = bench.spool.peek()
    assert batch is not None
    assert list(batch.columns["restriction"]) == [3.13]


def test_nonsense_for_ever_costs_a_few_events_and_a_stop_declares_the_rest(bench: Bench) -> None:
    for _ in range(5):
        take_lines(bench, *[b"nonsense"] * 100)
        bench.clock.advance(600)
    assert [event["count"] for event in declared(bench)] == [1]
    bench.clock.advance(3600)
    bench.feed.flush()
    assert [event["count"] for event in declared(bench)] == [1, 499]
    take_lines(bench, b"nonsense")
    bench.clock.advance(7200)
    bench.feed.flush()
    assert [event["count"] for event in declared(bench)] == [1, 499]
    bench.stop.set()
    bench.feed.flush()
    assert [event["count"] for event in declared(bench)] == [1, 499, 1]


def test_what_could_not_be_read_is_declared_once_the_disk_works_again(bench: Bench) -> None:
    bench.break_disk()
    take_lines(bench, b"nonsense", b"nonsense")
    bench.mend_disk()
    bench.feed.flush()
    assert [event["count"] for event in declared(bench)] == [2]


def test_what_is_no_measurement_of_now_is_counted_and_not_declared_as_lost(bench: Bench) -> None:
    bench.feed._report_unwanted("message_not_taken", reason="it was retained")
    bench.feed.flush()
    assert (bench.feed.told()["refused"], declared(bench)) == (1, [])


def test_a_note_for_a_person_stays_until_a_run_that_could_read_all(bench: Bench) -> None:
    take_lines(bench, b"nonsense")
    assert bench.spool.noted("unread:ndjson-1")["refused"] == 1
    bench.feed._unread = {event: Unread(event) for event in bench.feed._unread}  # as after a restart
    take_lines(bench, b'{"restriction": 3.13}')
    assert bench.spool.noted("unread:ndjson-1") is not None
    bench.stop.set()
    bench.feed.flush()
    assert bench.spool.noted("unread:ndjson-1") is None


def overflow(bench: Bench, first: int, *, lost: int) -> None:
    """So many readings more than memory holds."""
    for begin in range(first, first + lost + BRIDGE_READINGS, 250):
        bench.feed._bridge.take(readings(begin, begin + 249), 0)


def test_a_loss_is_declared_before_the_readings_behind_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that dies while it writes what it held must not take the count of the lost with it."""
    overflow(bench, 1, lost=500)

    def die(*_: object, **__: object) -> bool:
        raise PowerCut

    monkeypatch.setattr(bench.feed, "_append", die)
    with pytest.raises(PowerCut):
        bench.feed.flush()
    (event,) = bench.spool.unconfirmed(None).events
    assert (event.content["event"], event.content["count"]) == ("readings_lost", 500)
    assert event.content["at_seq"] == 1, "they came before all that is still held"


def test_two_losses_of_one_size_at_one_number_are_two(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The server keeps an event once that comes again in the same words."""
    monkeypatch.setattr(bench.feed, "_append", lambda *_, **__: False)
    overflow(bench, 1, lost=500)
    bench.feed.flush()
    for begin in (20_001, 20_251):  # memory is full: as many go
        bench.feed._bridge.take(readings(begin, begin + 249), 0)
    bench.feed.flush()
    said = [event.content for event in bench.spool.unconfirmed(None).events]
    assert [(content["count"], content["at_seq"]) for content in said] == [(500, 1), (500, 1)]
    assert said[0] != said[1]


class FullDisk:
    """Takes no event; what has its room already can be written."""

    def __init__(self, bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse() -> None:
            raise SpoolFull("disk_full", path=bench.spool.path, why="full")

        self._well, self._monkeypatch, self._spool = bench.spool._write_losses, monkeypatch, bench.spool
        monkeypatch.setattr(bench.spool, "_write_losses", refuse)

    def clear(self) -> None:
        self._monkeypatch.setattr(self._spool, "_write_losses", self._well)


def losses_after_a_kill(bench: Bench) -> list[int]:
    """What a start from the files as they are now declares."""
    after = Disk()
    after.files = {
        name: File(durable=bytes(file.live), live=bytearray(file.live), named=True)
        for name, file in bench.disk.files.items()
    }
    path = bench.spool.path.parent / "killed" / bench.spool.path.name
    path.parent.mkdir()
    with open_spool(path, bench.clock, vfs=after.vfs) as spool:
        said = [event.content for event in spool.unconfirmed(None).events]
    after.unregister()
    return [content["count"] for content in said if content["event"] == "readings_lost"]


def test_a_kill_on_a_full_disk_does_not_take_the_count_with_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    FullDisk(bench, monkeypatch)
    for lost in (500, 250):
        overflow(bench, 1, lost=lost)
        bench.feed.flush()
    assert losses_after_a_kill(bench) == [BRIDGE_READINGS + 750]


def test_a_loss_that_was_noted_is_declared_once_when_the_disk_takes_events_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = FullDisk(bench, monkeypatch)
    overflow(bench, 1, lost=500)
    bench.feed.flush()
    full.clear()
    bench.feed.flush()
    assert losses_after_a_kill(bench) == [500]


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


def test_a_reading_that_is_none_is_reported_once_however_long_the_disk_takes_nothing(bench: Bench) -> None:
    bad = Reading(at=None, values={"restriction": float("inf")}, units=UNITS)
    bench.break_disk()
    bench.feed._emit([*readings(1, 1), bad])
    for _ in range(5):
        bench.feed.flush()
    bench.mend_disk()
    bench.feed.flush()
    assert numbers(bench.spool.peek()) == [1]
    assert [name for name, _ in bench.events].count("gateway.reading_refused") == 1
    assert bench.feed.told()["refused"] == 1


def test_a_source_that_fails_is_reported_and_started_again_with_waits_that_grow_and_start_over(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two minutes of good work in between, and the next failure is a first one again."""
    works_s = iter([0, 0, 0, 0, 0, 0, 0, 120, 0])

    def run(*_: object) -> None:
        if (worked_s := next(works_s, None)) is None:
            bench.stop.set()
            return
        bench.clock.advance(worked_s)
        raise SourceAway("the bus is gone")

    monkeypatch.setattr(bench.feed, "_source", SimpleNamespace(run=run))
    bench.feed.run()
    failed = [fields for name, fields in bench.events if name == "gateway.source_failed"]
    assert [fields["again_in_s"] for fields in failed] == [1, 2, 4, 8, 16, 32, 60, 1, 2]
    assert {str(fields["reason"]) for fields in failed} == {"the bus is gone"}
    assert {fields["source"] for fields in failed} == {"ndjson-1"}
    assert bench.events[-1][0] == "gateway.source_ended"
    assert bench.feed.ended.is_set()


def test_a_source_that_knows_the_time_places_the_boot_for_all(tmp_path: Path) -> None:
    """No link, no disciplined clock, a wall clock years off: the receiver's word is enough."""
    clock = settable_clock()
    clock.wrong_by_us = -40 * 365 * 86_400_000_000
    told: list[str] = []
    ours, theirs = os.pipe()
    with open_spool(tmp_path / "a", clock) as spool:
        spool.append([Reading(values={"restriction": 3.0}, units=UNITS)])  # of another source, without a time
        assert spool.peek() is None
        entry = {"use": "ndjson", "units": {"restriction": "kPa"}, "tells_time": "gps"}
        feed = Feed(
            spool,
            entry,
            number=2,
            clock=clock,
            log=lambda name, **_: told.append(name),
            stop=threading.Event(),
        )
        feed._source._descriptor = ours  # type: ignore[attr-defined]
        at = instant_text(clock.true_us())
        with os.fdopen(theirs, "wb") as pipe:
            for _ in range(5):  # more within the minute change nothing
                line = {"at": at, "at_uncertainty_s": 0.1, "restriction": 3.1}
                pipe.write(json.dumps(line).encode() + b"\n")
        feed.run()
        batch = spool.peek()
        assert batch is not None
        assert len(batch) == 6
        uncertainty_s = batch.uncertainty_s(0)
        assert uncertainty_s is not None
        assert 0.6 <= uncertainty_s <= 1.0  # half a second on the way, 0.1 of the receiver's, rounded up
        assert batch.at_us[0] == pytest.approx(clock.true_us(), abs=uncertainty_s * 1e6)
    os.close(ours)
    assert told.count("gateway.clock_anchored") == 1


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
