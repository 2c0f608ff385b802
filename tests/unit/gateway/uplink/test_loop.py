"""The loop: what the spool holds reaches the server once and in order, whatever the link does."""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from cleanside.gateway.errors import SpoolFull
from cleanside.gateway.spool.high_mark import SUFFIX
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.uplink.fakes import FakeServer, problem, unpacked
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S, DEFAULT_LINGER_S, IDLE_S, Uplink
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request
from cleanside.gateway.wire import Reading, decode
from tests.unit.gateway.helpers import (
    UNITS,
    counted_bytes,
    numbers,
    open_spool,
    reading,
    readings,
    settable_clock,
)


class Bench:
    """A spool, a loop and a server that keeps the contract, in one simulated time."""

    def __init__(
        self,
        path: Path,
        max_readings: int = 1000,
        *,
        previous_release: bool = False,
        ask_every_s: float = DEFAULT_ASK_EVERY_S,
        jitter: float = 0.5,
        spool: type[Spool] = Spool,
    ) -> None:
        self.clock: SettableClock = settable_clock()
        self.server = FakeServer(now_us=self.clock.true_us, previous_release=previous_release)
        self.events: list[tuple[str, dict[str, object]]] = []
        self.path = path
        self.opened = 0
        self.max_readings, self.ask_every_s, self.jitter = max_readings, ask_every_s, jitter
        self.kind = spool
        self.open()

    def open(self) -> None:
        """Begin again on the same disk, as after a power cut."""
        self.opened += 1
        random = counted_bytes(1000 * self.opened)
        self.spool: Spool = open_spool(self.path, self.clock, kind=self.kind, random=random)
        self.open_uplink()

    def open_uplink(self) -> None:
        """Begin again on the same spool: nothing of the last answers is known."""
        self.uplink = Uplink(
            self.spool,
            self.server,
            clock=self.clock,
            random=lambda: self.jitter,
            log=lambda name, **fields: self.events.append((name, fields)),
            max_readings=self.max_readings,
            ask_every_s=self.ask_every_s,
        )

    def restart(self) -> None:
        self.spool.close()
        self.open()

    def drain(self, *, most: int = 300) -> None:
        """Turn the loop until nothing is left to send."""
        for _ in range(most):
            step = self.uplink.step()
            if step.idle:
                return
            self.clock.advance(step.wait_s)
        raise AssertionError(f"not drained after {most} turns: {self.events[-5:]}")

    def held(self) -> list[int]:
        """Numbers of the readings that the server holds, over all streams in the order of their numbers."""
        contents = [c for s in self.server.streams.values() for _, c in sorted(s.held.items())]
        return [json.loads(content)["engine_speed"] for content in contents]

    def named(self, event: str) -> list[dict[str, object]]:
        return [fields for name, fields in self.events if name == event]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a", max_readings=10)
    yield made
    made.spool.close()


def test_a_backlog_arrives_once_and_in_order(bench: Bench) -> None:
    bench.spool.append(readings(1, 95))
    bench.drain()
    assert bench.held() == list(range(1, 96))
    assert [next(iter(b.seq or ())) for b in bench.server.batches] == list(range(1, 96, 10))


def test_when_every_other_reply_is_lost_each_reading_is_still_stored_once(bench: Bench) -> None:
    bench.spool.append(readings(1, 60))
    bench.server.faults.extend(["lost", NoAnswer("cut"), "fine"] * 30)
    bench.drain()
    assert bench.held() == list(range(1, 61))
    assert all(not stream.conflicts for stream in bench.server.streams.values())


def test_a_lost_reply_costs_a_question_and_no_repeat(bench: Bench) -> None:
    bench.spool.append(readings(1, 60))
    bench.server.faults.extend(["fine", "lost", "fine", "lost", "fine", "lost"])
    bench.drain()
    assert bench.held() == list(range(1, 61))
    sent = [numbers(decode(unpacked(r))) for r in bench.server.requests if r.path == "/v1/readings"]
    assert [n for batch in sent for n in batch] == list(range(1, 61))  # each reading crossed the link once
    assert [r.path for r in bench.server.requests].count("/v1/streams/marks") == 1
    assert sum(r.method == "GET" for r in bench.server.requests) == 3


def test_a_question_whose_reply_is_lost_too_is_asked_again(bench: Bench) -> None:
    bench.spool.append(readings(1, 10))
    bench.server.faults.extend(["fine", "lost", "lost", NoAnswer("cut"), "lost"])
    bench.drain()
    posts = [r for r in bench.server.requests if r.path == "/v1/readings"]
    assert (bench.held(), len(posts)) == (list(range(1, 11)), 1)


def test_a_restart_after_a_lost_reply_sends_the_same_again(bench: Bench) -> None:
    bench.spool.append(readings(1, 30))
    bench.server.faults.extend(["fine", "fine", "lost"])
    for _ in range(3):
        bench.uplink.step()
    bench.restart()
    bench.drain()
    assert bench.held() == list(range(1, 31))
    assert all(not stream.conflicts for stream in bench.server.streams.values())


def test_the_page_of_a_captive_portal_releases_nothing(bench: Bench) -> None:
    bench.spool.append(readings(1, 5))
    page = Reply(status=200, headers={"content-type": "text/html"}, body=b"<html>Please sign in</html>")
    bench.server.faults.extend([page] * 8)
    for _ in range(8):
        bench.clock.advance(bench.uplink.step().wait_s)
    assert numbers(bench.spool.peek()) == [1, 2, 3, 4, 5]
    bench.drain()
    assert bench.held() == [1, 2, 3, 4, 5]


def test_a_culprit_is_found_sent_as_an_opaque_record_and_blocks_nothing(bench: Bench) -> None:
    bench.spool.append(readings(1, 40))
    bench.server.refuses = lambda content: json.loads(content)["engine_speed"] in (17, 18, 33)
    bench.drain()
    assert bench.held() == [n for n in range(1, 41) if n not in (17, 18, 33)]
    (stream,) = bench.server.streams.values()
    assert sorted(stream.opaque) == [17, 18, 33]
    assert json.loads(stream.opaque[17])["engine_speed"] == 17
    assert stream.mark == 40
    assert len(bench.named("gateway.reading_refused")) == 3


def test_a_server_restored_from_a_backup_is_given_again_what_it_lost(bench: Bench) -> None:
    bench.spool.append(readings(1, 50))
    bench.drain()
    (stream,) = bench.server.streams.values()
    for seq in range(21, 51):
        del stream.held[seq]
    bench.spool.append(readings(51, 55))
    bench.drain()
    assert bench.held() == list(range(1, 56))
    [said] = bench.named("gateway.rewound")
    assert "sends 21 to 50 again, which were acknowledged" in str(said["reason"])


def test_readings_that_are_asked_for_again_read_as_an_act_and_not_as_a_trouble(bench: Bench) -> None:
    """The shop asked for them; before, `status` named it as the last trouble for good."""
    bench.spool.append(readings(1, 50))
    bench.drain()
    (stream,) = bench.server.streams.values()
    for seq in range(21, 51):
        del stream.held[seq]
    bench.clock.advance(90)  # the link is noted once a minute
    bench.spool.append(readings(51, 55))
    bench.drain()
    [said] = bench.named("gateway.rewound")
    assert said["level"] == logging.INFO
    assert "because the server asks for them: a person at the shop asked for them" in str(said["reason"])
    assert bench.spool.state().notes["link"]["last_error"] is None
    assert bench.uplink.view.told()["reason"] is None


def test_a_server_restored_in_an_outage_is_whole_within_the_asking_interval_after_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "device.spool", ask_every_s=20.0, jitter=1.0)
    bench.spool.append(readings(1, 50))
    bench.drain()
    bench.clock.advance(20.0)
    bench.server.faults.extend([NoAnswer("cut")] * 100)
    while bench.server.faults:
        wait_s = bench.uplink.step().wait_s
        bench.clock.advance(wait_s if bench.server.faults else 0.0)
    (stream,) = bench.server.streams.values()
    for seq in range(21, 51):
        del stream.held[seq]
    back_us = bench.clock.since_boot_us()
    bench.clock.advance(wait_s)
    bench.drain()
    assert bench.held() == list(range(1, 51))
    assert bench.clock.since_boot_us() - back_us <= 20_000_000
    bench.spool.close()


class NoRoomToRewind(Spool):
    """A spool whose disk has no room for what files that were set aside have of one stream."""

    crowded: str | None = None

    def rewind(self, stream: str, through: int) -> int:
        if stream == self.crowded:
            raise SpoolFull("disk_full", path=self.path, why="a test")
        return super().rewind(stream, through)


def test_a_rewind_without_room_does_not_hold_up_other_streams_and_is_made_later(tmp_path: Path) -> None:
    """As found in a campaign: a disk full of files set aside, and a server restored from before them."""
    bench = Bench(tmp_path / "device.spool", spool=NoRoomToRewind, ask_every_s=20.0)
    assert isinstance(bench.spool, NoRoomToRewind)
    bench.spool.append(readings(1, 20))
    bench.drain()
    bench.spool.crowded = bench.spool.open_stream
    bench.spool.fork("a test")
    bench.spool.append(readings(21, 40))
    bench.server.streams.clear()
    bench.open_uplink()
    bench.drain()
    assert bench.held() == list(range(21, 41))
    assert bench.named("gateway.rewind_waits")
    bench.spool.crowded = None
    bench.clock.advance(20.0)
    bench.drain()
    assert sorted(bench.held()) == list(range(1, 41))
    bench.spool.close()


class RefusesSome(Spool):
    """A spool whose disk has no room for some of what the loop writes."""

    full_for: frozenset[str] = frozenset()

    def anchor(self, anchor: Anchor) -> bool:
        self._needs_room("anchor")
        return super().anchor(anchor)

    def confirm(self, through: int, database: str | None) -> None:
        self._needs_room("confirm")
        super().confirm(through, database)

    def acknowledge(self, stream: str, through: int, *, again: Sequence[tuple[int, int]] = ()) -> None:
        self._needs_room("acknowledge")
        super().acknowledge(stream, through, again=again)

    def _needs_room(self, verb: str) -> None:
        if verb in self.full_for:
            raise SpoolFull("disk_full", path=self.path, why="a test")


def bench_that_refuses(path: Path, verb: str) -> Bench:
    bench = Bench(path / "a", spool=RefusesSome, ask_every_s=20.0)
    assert isinstance(bench.spool, RefusesSome)
    bench.spool.append(readings(1, 20))
    bench.spool.event("readings_lost", {"source": "a test", "count": 7})
    bench.spool.full_for = frozenset({verb})
    return bench


@pytest.mark.parametrize("verb", ["anchor", "confirm"])
def test_a_disk_without_room_for_a_time_or_a_note_does_not_hold_up_readings(
    tmp_path: Path, verb: str
) -> None:
    """As found in a campaign: one small write that failed, every turn, and nothing was sent or declared."""
    bench = bench_that_refuses(tmp_path, verb)
    bench.drain()
    assert bench.held() == list(range(1, 21))
    assert lost_as_declared(bench) == [7]
    bench.spool.close()


def test_a_mark_that_the_disk_does_not_take_holds_up_no_declaration(tmp_path: Path) -> None:
    bench = bench_that_refuses(tmp_path, "acknowledge")
    bench.server.faults.extend(["fine", "fine", "lost"])  # the question, the declaration, the readings
    for number in range(101, 121):
        bench.clock.advance(bench.uplink.step().wait_s)
        bench.spool.event("readings_lost", {"source": "a test", "count": number})
    assert max(lost_as_declared(bench)) > 115
    bench.spool.close()


def lost_as_declared(bench: Bench) -> list[int]:
    said = [event["content"] for event in bench.server.declared]
    return [content["count"] for content in said if content["event"] == "readings_lost"]


def test_a_server_that_forgot_the_stream_is_given_all_of_it(bench: Bench) -> None:
    bench.spool.append(readings(1, 20))
    bench.drain()
    bench.server.streams.clear()
    bench.restart()
    bench.drain()
    assert bench.held() == list(range(1, 21))


def test_a_restored_disk_image_opens_a_new_stream_and_doubles_nothing(bench: Bench, tmp_path: Path) -> None:
    bench.spool.append(readings(1, 10))
    bench.drain()
    bench.spool.append(readings(11, 15))
    bench.spool.close()
    image = {name: (tmp_path / name).read_bytes() for name in ("a", "a.mark")}
    bench.open()
    bench.spool.append(readings(16, 20))
    bench.drain()
    bench.spool.close()
    for name in ("a", "a-wal", "a-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    for name, content in image.items():  # the machine's disk is restored: 16 to 20 were never here
        (tmp_path / name).write_bytes(content)
    bench.open()
    bench.spool.append(readings(101, 102))
    bench.drain()
    assert len(bench.server.streams) == 2
    assert sorted(bench.held()) == [*range(1, 21), 101, 102]
    assert bench.named("gateway.stream_forked")


def test_an_old_image_that_was_written_to_offline_loses_nothing(bench: Bench, tmp_path: Path) -> None:
    """
    Found in a trial: it gave more numbers than the server had seen, so nothing told it from the original.

    1,000 readings were quarantined as `number_conflict` while `status` said that all is well.
    """
    bench.spool.append(readings(1, 10))
    bench.drain()
    bench.spool.close()
    image = {name: (tmp_path / name).read_bytes() for name in ("a", f"a{SUFFIX}")}
    bench.open()
    bench.spool.append(readings(11, 20))
    bench.drain()
    bench.spool.close()
    for name in ("a", "a-wal", "a-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    for name, content in image.items():
        (tmp_path / name).write_bytes(content)
    bench.open()
    bench.spool.append(readings(101, 115))
    bench.drain()
    assert sorted(bench.held()) == [*range(1, 21), *range(101, 116)]
    [forked] = bench.named("gateway.stream_forked")
    assert forked["reason"] == "number_conflict"


def test_two_machines_with_a_copied_spool_lose_nothing(bench: Bench, tmp_path: Path) -> None:
    """Before this, 600 readings were quarantined as `number_conflict`, and both said that all is well."""
    bench.spool.append(readings(1, 10))
    bench.drain()
    bench.spool.close()
    (tmp_path / "b").write_bytes((tmp_path / "a").read_bytes())
    bench.open()
    bench.spool.append(readings(11, 20))
    bench.drain()
    own, bench.path = bench.spool, tmp_path / "b"
    bench.open()
    bench.spool.append(readings(101, 125))
    bench.drain()
    bench.spool.close()
    assert sorted(bench.held()) == [*range(1, 21), *range(101, 126)]
    bench.spool = own


def test_a_stream_bound_to_another_device_is_left_to_it(bench: Bench) -> None:
    bench.spool.append(readings(1, 5))
    bench.server.faults.extend(["fine", problem(409, "stream_bound")])
    bench.drain()
    assert bench.held() == [1, 2, 3, 4, 5]
    assert len(bench.spool.state().streams) == 2


def test_content_codings_are_tried_until_one_is_taken(bench: Bench) -> None:
    bench.spool.append(readings(1, 10))
    bench.server.faults.extend(
        ["fine", problem(415, "coding_not_supported"), problem(415, "coding_not_supported")]
    )
    bench.drain()
    codings = [r.headers.get("Content-Encoding") for r in bench.server.requests if r.path == "/v1/readings"]
    assert codings == ["zstd", "gzip", None]
    assert bench.held() == list(range(1, 11))


def test_a_batch_that_is_too_large_goes_in_halves(bench: Bench) -> None:
    bench.spool.append(readings(1, 10))
    bench.server.faults.extend(["fine", problem(413, "too_large")])
    bench.drain()
    assert [len(b) for b in bench.server.batches] == [5, 5]


def test_a_refused_key_waits_and_loses_nothing(bench: Bench) -> None:
    bench.spool.append(readings(1, 3))
    bench.server.faults.extend([problem(401, "key_unknown")] * 3)
    waited = [bench.uplink.step().wait_s for _ in range(3)]
    assert waited == [300.0] * 3
    bench.drain()
    assert bench.held() == [1, 2, 3]


def test_the_server_tells_a_machine_without_a_clock_the_time(bench: Bench) -> None:
    bench.clock.wrong_by_us = -bench.clock.true_us()  # the wall clock says 1970
    true_us = bench.clock.true_us()
    bench.spool.append(readings(1, 3, timed=False))
    assert bench.spool.peek() is None
    bench.drain()
    assert bench.held() == [1, 2, 3]
    sent = [at for batch in bench.server.batches for at in batch.at_us]
    assert [abs((at or 0) - true_us) < 1_000_000 for at in sent] == [True] * 3


@pytest.mark.parametrize("lag_s", [0.0, 0.999, 1.55, 4.27])
def test_a_server_of_the_previous_release_tells_a_new_spool_the_time_by_its_date(
    tmp_path: Path, lag_s: float
) -> None:
    """Its refusals say nothing of the time, and its `Date` is as old as its library made it last."""
    bench = Bench(tmp_path / "a", previous_release=True)
    bench.server.date_lag_us = int(lag_s * 1e6)
    bench.spool.append(readings(1, 1, timed=False))
    true_us = bench.clock.true_us()
    bench.uplink.step()
    state = bench.spool.state()
    assert state.boot is not None
    assert state.boot.anchor == "server"
    assert (state.boot.uncertainty_s or 0) >= 2.0
    batch = bench.spool.peek()
    bench.spool.close()
    assert batch is not None
    assert isinstance(batch.at_uncertainty_s, float)
    assert abs((batch.at_us[0] or 0) - true_us) <= batch.at_uncertainty_s * 1e6


def test_a_refusal_tells_the_time_as_every_answer_does(bench: Bench) -> None:
    """Found in a trial: a new stream meets a 404 first, and was read by a `Date` that is kept a while."""
    bench.clock.advance(0.123457)
    bench.server.date_lag_us = 1_550_000
    bench.spool.append(readings(1, 1, timed=False))
    true_us = bench.clock.true_us()
    bench.uplink.step()
    batch = bench.spool.peek()
    assert batch is not None
    assert isinstance(batch.at_uncertainty_s, float)
    assert abs((batch.at_us[0] or 0) - true_us) <= batch.at_uncertainty_s * 1e6 <= 10_000


def test_each_request_says_that_no_stored_answer_will_do_and_bears_an_id_of_its_own(bench: Bench) -> None:
    bench.spool.append(readings(1, 30))
    bench.drain()
    headers = [request.headers for request in bench.server.requests]
    assert {h.get("Cache-Control") for h in headers} == {"no-store"}
    assert len({h["Request-Id"] for h in headers}) == len(headers) > 3


def test_the_machines_own_disciplined_clock_places_a_boot_without_a_link(bench: Bench) -> None:
    bench.spool.append(readings(1, 1, timed=False))
    bench.clock.evidence_uncertainty_us = 2000
    bench.server.faults.append(NoAnswer("no coverage"))
    bench.uplink.step()
    assert numbers(bench.spool.peek()) == [1]


def test_a_rewind_by_a_person_sends_again_what_the_server_already_holds(bench: Bench, tmp_path: Path) -> None:
    from cleanside.gateway.spool.rewind import rewind

    bench.spool.append(readings(1, 40))
    bench.drain()
    before = len(bench.server.batches)
    assert rewind(tmp_path / "a", stream=None, first=11) == 30
    bench.drain()
    again = [n for batch in bench.server.batches[before:] for n in numbers(batch)]
    assert again == list(range(11, 41))
    assert bench.held() == list(range(1, 41))


def test_bytes_on_the_link_are_counted(bench: Bench) -> None:
    bench.spool.append(readings(1, 30))
    bench.drain()
    bench.spool.note("flush", True)
    ((up, down),) = bench.spool.state().traffic.values()
    assert up >= sum(len(r.body) for r in bench.server.requests) > 0
    assert down > 0


def test_a_small_batch_is_sent_as_it_is_and_readable(bench: Bench) -> None:
    bench.spool.append([Reading(at=reading(1).at, values={"restriction": 3.05}, units=UNITS)])
    bench.drain()
    request = next(r for r in bench.server.requests if r.path == "/v1/readings")
    assert decode(unpacked(request)).columns == {"restriction": [3.05]}


def test_a_new_reading_waits_its_deadline_for_company_and_goes_at_the_end_of_a_backlog(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a backlog it is on its way after `linger_s`, with those that came by; else in its turn."""
    bench = Bench(tmp_path / "a")
    uplink, stop, waits = bench.uplink, threading.Event(), []
    comes_at = {1: (1, 1), 3: (3, 3), 5: (5, 1_500)}  # which wait of the loop -> what is appended meanwhile
    answered = bench.server.send

    def wait(event: threading.Event, seconds: float) -> bool:
        waits.append(seconds)
        if (numbers_now := comes_at.get(len(waits))) is not None:
            bench.spool.append(readings(*numbers_now))
            if event is uplink.wake:
                event.set()
        if len(waits) == 2:  # somebody comes along while the first one waits
            bench.spool.append([reading(2)])
        bench.clock.advance(seconds)
        if len(waits) > 8:
            stop.set()
        return event.is_set()

    def send(request: Request) -> Outcome:
        outcome = answered(request)
        if len(bench.server.batches) == 3 and request.method == "POST":
            bench.spool.append([reading(1_501)])  # while a backlog goes out
        return outcome

    monkeypatch.setattr(bench.clock, "wait", wait)
    monkeypatch.setattr(bench.server, "send", send)
    uplink.run(stop)
    bench.spool.close()
    linger_s = DEFAULT_LINGER_S
    assert waits[:6] == [IDLE_S, linger_s, IDLE_S, linger_s, IDLE_S, linger_s]
    sent = [numbers(batch) for batch in bench.server.batches]
    assert sent[0] == [1, 2]
    assert sent[1] == [3]
    assert (sent[2][0], sent[2][-1]) == (5, 1_004)
    assert (sent[3][0], sent[3][-1]) == (1_005, 1_501)  # behind the backlog, and without another wait


def test_the_loop_stops_when_told_and_wakes_for_a_new_reading(bench: Bench) -> None:
    stop = threading.Event()
    thread = threading.Thread(target=bench.uplink.run, args=(stop,))
    thread.start()
    bench.spool.append(readings(1, 3))
    bench.uplink.wake.set()
    held = threading.Event()
    for _ in range(2000):
        if bench.held() == [1, 2, 3]:
            held.set()
            break
        held.wait(0.005)
    stop.set()
    bench.uplink.wake.set()
    thread.join(5)
    assert held.is_set()
    assert not thread.is_alive()
