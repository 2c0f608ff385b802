"""A machine under load: its latencies count from when a reading was due, and it obeys like a gateway."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import Any

import pytest
import zstandard

from cleanside.gateway import wire
from cleanside.gateway.spool.queue import MAX_BATCH_READINGS
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request
from cleanside.simulator.load_patterns import LoadPlan
from cleanside.simulator.load_timings import Figures
from cleanside.simulator.open_machine import Bench, OpenMachine
from tests.unit.simulator.test_load_patterns import plan


class FakeLine:
    """A line whose server answers as told, once for each request; then it takes everything."""

    def __init__(self, *first: Callable[[wire.Batch], Outcome]) -> None:
        self._first = list(first)
        self.batches: list[wire.Batch] = []

    async def send(self, request: Request) -> Outcome:
        """The next answer."""
        packed = request.headers.get("Content-Encoding") == "zstd"
        batch = wire.decode(zstandard.decompress(request.body) if packed else request.body)
        self.batches.append(batch)
        return self._first.pop(0)(batch) if self._first else taken(batch)

    def close(self) -> None:
        """Nothing to close."""


def taken(batch: wire.Batch, **more: Any) -> Reply:
    assert batch.seq is not None
    through = more.pop("acknowledged_through", batch.seq[-1])
    answer = wire.Answer(
        stream=batch.stream, acknowledged_through=through, server_time_us=1_772_434_800_000_000, **more
    )
    headers = {"content-type": wire.ANSWER_MEDIA_TYPE}
    return Reply(status=200, headers=headers, body=wire.encode_answer(answer))


def busy(_: wire.Batch) -> Reply:
    return Reply(status=503, headers={"retry-after": "0"}, body=b"")


def lost(_: wire.Batch) -> NoAnswer:
    return NoAnswer("the connection was closed")


def driven(made: LoadPlan, line: FakeLine, *, now_s: float) -> tuple[Figures, OpenMachine]:
    """Run machine 0 with a clock that stands still, and without waits of its own."""
    figures = Figures(made.duration_s)

    async def run() -> OpenMachine:
        bench = Bench(made, figures, lambda: now_s, lambda: 0.0, asyncio.Event())
        machine = OpenMachine(bench, 0, line)  # type: ignore[arg-type]
        async with asyncio.timeout(20):
            await machine.run()
        return machine

    return figures, asyncio.run(run())


def numbers(batches: Sequence[wire.Batch]) -> list[tuple[int, int]]:
    return [(batch.seq[0], batch.seq[-1]) for batch in batches if batch.seq]


def test_a_latency_counts_from_when_the_reading_was_due() -> None:
    """
    The server was not there for ten seconds; then five readings go in one request. Timed from the request
    they would all have taken no time at all (coordinated omission).
    """
    made = plan(interval_s=1.0, duration_s=5.0, machines=1)
    line = FakeLine()
    figures, _ = driven(made, line, now_s=10.0)
    assert numbers(line.batches) == [(1, 5)]
    assert figures.live.count == 5
    assert figures.live.at_percentile_ms(100) == pytest.approx(10_000, rel=2e-3)
    assert figures.live.at_percentile_ms(50) == pytest.approx(8_000, rel=2e-3)
    assert figures.live.at_percentile_ms(1) == pytest.approx(6_000, rel=2e-3)


def test_a_backlog_counts_from_when_the_link_came_back() -> None:
    made = plan("herd", interval_s=1.0, duration_s=10.0, machines=1, backlog=50)
    figures, _ = driven(made, FakeLine(), now_s=12.0)
    assert (figures.backlog.count, figures.live.count) == (51, 9)  # the link is out for the first second
    assert figures.backlog.at_percentile_ms(100) == pytest.approx(11_000, rel=2e-3)


@pytest.mark.parametrize("trouble", [busy, lost])
def test_what_was_not_taken_is_sent_again(trouble: Callable[[wire.Batch], Outcome]) -> None:
    line = FakeLine(trouble, trouble)
    figures, machine = driven(plan(interval_s=1.0, duration_s=3.0, machines=1), line, now_s=5.0)
    assert numbers(line.batches) == [(1, 3)] * 3
    assert machine.is_done
    assert (figures.sampled, figures.acknowledged, figures.waiting) == (3, 3, 0)


def test_a_batch_holds_what_a_gateways_does() -> None:
    line, most = FakeLine(), MAX_BATCH_READINGS
    driven(plan("herd", interval_s=1.0, duration_s=10.0, machines=1, backlog=2 * most), line, now_s=12.0)
    assert [len(batch) for batch in line.batches] == [most, most, 10]
    assert not any(batch.doubts for batch in line.batches)


def test_an_old_answer_that_a_cache_kept_is_no_acknowledgement_twice() -> None:
    """A mark that falls back makes the machine send again; what was timed once is not timed again."""
    most = MAX_BATCH_READINGS
    made = plan("herd", interval_s=1.0, duration_s=10.0, machines=1, backlog=most)
    line = FakeLine(taken, lambda batch: taken(batch, acknowledged_through=200))
    figures, machine = driven(made, line, now_s=12.0)
    assert numbers(line.batches) == [(1, most), (most + 1, most + 10), (201, most + 10)]
    assert machine.is_done
    assert figures.acknowledged == figures.backlog.count + figures.live.count == most + 10


def test_readings_in_quarantine_are_counted() -> None:
    def some(batch: wire.Batch) -> Reply:
        note = wire.QuarantineNote(code="time_in_future", detail="later", first=1, last=1)
        return taken(batch, quarantined=(note,))

    figures, _ = driven(plan(interval_s=1.0, duration_s=3.0, machines=1), FakeLine(some), now_s=5.0)
    assert figures.quarantined == 1
