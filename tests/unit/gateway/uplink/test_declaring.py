"""
What a spool declares is sent until the server confirms it, whether readings follow or not.

Found in a trial: events went with the reading that followed, and were lost with a forked stream, a batch
without its report, or a file that was set aside.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.gateway.spool.high_mark import SUFFIX
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.uplink import decision, declaring
from cleanside.gateway.uplink.fakes import FakeServer, problem
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import NoAnswer, Reply
from cleanside.gateway.wire import ANSWER_MEDIA_TYPE
from tests.unit.gateway.helpers import counted_bytes, numbers, open_spool, readings, settable_clock


class Bench:
    """A spool, a loop and a server, in one simulated time."""

    def __init__(self, path: Path, *, previous_release: bool = False) -> None:
        self.clock, self.path = settable_clock(), path
        self.server = FakeServer(now_us=self.clock.true_us, previous_release=previous_release)
        self.spool: Spool = open_spool(path, self.clock)
        self.uplink = self._new_uplink()

    def _new_uplink(self) -> Uplink:
        return Uplink(
            self.spool, self.server, clock=self.clock, random=lambda: 0.5, log=lambda *_, **__: None
        )

    def restart(self) -> None:
        self.spool.close()
        self.open()

    def open(self) -> None:
        self.spool = open_spool(self.path, self.clock, random=counted_bytes(1_000))
        self.uplink = self._new_uplink()

    def drain(self) -> None:
        for _ in range(100):
            step = self.uplink.step()
            if step.idle:
                return
            self.clock.advance(step.wait_s)
        raise AssertionError("not drained after 100 turns")

    def declared(self) -> list[tuple[str, int | None]]:
        """Name and count of each event that was declared by itself."""
        contents = [event["content"] for event in self.server.declared]
        return [(content["event"], content.get("count")) for content in contents]

    def times_declared(self) -> int:
        return sum(request.path == declaring.DECLARING_PATH for request in self.server.requests)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a")
    yield made
    made.spool.close()


def test_a_loss_without_a_reading_behind_it_is_declared_once(bench: Bench) -> None:
    bench.drain()
    bench.spool.event("readings_lost", {"source": "csv-1", "count": 600})
    bench.spool.event("key_on")
    bench.drain()
    bench.drain()
    bench.restart()
    bench.drain()
    assert bench.declared() == [("readings_lost", 600)]
    assert bench.times_declared() == 1


def test_a_loss_is_declared_again_until_the_reply_comes(bench: Bench) -> None:
    bench.drain()
    bench.spool.event("readings_lost", {"count": 1})
    bench.server.faults.extend(["lost", NoAnswer("no way"), problem(503, "store_unavailable")])
    bench.spool.append(readings(1, 3))
    bench.drain()
    assert [n for batch in bench.server.batches for n in numbers(batch)] == [1, 2, 3]
    bench.clock.advance(3_600)
    bench.drain()
    assert bench.declared() == [("readings_lost", 1)]
    assert bench.times_declared() > 1


def test_a_loss_of_a_stream_that_was_forked_is_declared(bench: Bench) -> None:
    bench.spool.append(readings(1, 3))
    bench.spool.event("readings_lost", {"count": 7})
    before = bench.spool.open_stream
    bench.spool.fork("stream_forked")
    bench.drain()
    assert bench.declared() == [("readings_lost", 7), ("stream_opened", None)]
    assert bench.server.declared[0]["stream"] == before


def test_a_loss_beside_a_report_that_was_refused_is_declared(bench: Bench) -> None:
    bench.drain()
    bench.spool.event("readings_lost", {"count": 7})
    bench.spool.append(readings(1, 3))
    bench.server.faults.extend([problem(503, "store_unavailable"), problem(422, "batch_refused")])
    bench.drain()
    bench.clock.advance(3_600)
    bench.drain()
    assert bench.declared() == [("readings_lost", 7)]


def test_a_restored_server_is_told_again(bench: Bench) -> None:
    bench.drain()
    bench.spool.event("readings_lost", {"count": 7})
    bench.drain()
    bench.server.declared.clear()
    bench.server.database = "database-2"
    bench.clock.advance(3_600)
    bench.drain()
    assert bench.declared() == [("readings_lost", 7)]
    assert bench.times_declared() == 2


def test_a_restored_server_is_told_at_once_whatever_failed_just_before(bench: Bench) -> None:
    """A declaration that fails waits a minute, so that readings go first; a new database does not wait."""
    bench.drain()
    bench.spool.event("readings_lost", {"count": 7})
    bench.drain()
    bench.spool.event("readings_lost", {"count": 8})
    bench.server.faults.append(problem(503, "store_unavailable"))
    bench.uplink.step()
    bench.server.declared.clear()
    bench.server.database = "database-2"
    bench.spool.append(readings(1, 1))
    bench.drain()
    assert bench.declared() == [("readings_lost", 7), ("readings_lost", 8)]


def test_what_a_file_that_was_set_aside_had_to_declare_is_declared(bench: Bench) -> None:
    bench.spool.event("readings_lost", {"count": 7})
    before = bench.spool.open_stream
    bench.spool.close()
    aside = f"{bench.path.name}.damaged-1"
    for suffix in ("", SUFFIX):
        bench.path.with_name(bench.path.name + suffix).rename(bench.path.with_name(aside + suffix))
    bench.open()
    bench.drain()
    assert bench.declared() == [("readings_lost", 7), ("spool_replaced", None)]
    assert bench.server.declared[0]["stream"] == before


def test_an_event_that_is_not_as_it_was_written_stops_nothing(bench: Bench) -> None:
    bench.spool.event("readings_lost", {"count": 7})
    bench.spool.event("readings_lost", {"count": 8})
    with bench.spool._disk.transaction() as connection:
        connection.execute("UPDATE events SET detail = '{\"cou' WHERE number = 1")
        connection.execute("INSERT INTO notes VALUES ('events_confirmed', '[')")
    bench.drain()
    assert bench.declared() == [("readings_lost", None), ("readings_lost", 8)]


def test_a_server_of_the_previous_release_gets_readings_and_events_as_ever(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "a", previous_release=True)
    bench.spool.event("readings_lost", {"count": 7})
    bench.spool.append(readings(1, 3))
    bench.drain()
    assert [n for batch in bench.server.batches for n in numbers(batch)] == [1, 2, 3]
    [report] = [batch.gateway for batch in bench.server.batches]
    assert report is not None
    assert [event["event"] for event in report.events] == ["readings_lost"]
    bench.spool.close()


def answer(body: bytes, media_type: str = ANSWER_MEDIA_TYPE, status: int = 200) -> Reply:
    return Reply(status=status, headers={"content-type": media_type}, body=body)


@pytest.mark.parametrize(
    ("outcome", "expected"),
    [
        (NoAnswer("no way"), (False, False)),
        (answer(b'{"confirmed": 2}'), (True, False)),
        (answer(b'{"confirmed": 1}'), (False, False)),
        (answer(b"welcome", "text/html"), (False, False)),
        (answer(b"nothing", "text/html", 404), (False, False)),
        (problem(404, "not_found"), (False, True)),
        (problem(503, "store_full"), (False, False)),
    ],
)
def test_what_an_answer_means(outcome: Reply | NoAnswer, expected: tuple[bool, bool]) -> None:
    assert (declaring.is_confirmed(outcome, 2), decision.is_refused(outcome)) == expected
