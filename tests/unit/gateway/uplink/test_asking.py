"""A gateway asks about every stream it holds, and a server that was restored is made whole."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from cleanside.gateway.uplink.asking import decide_marks, question
from cleanside.gateway.uplink.decision import LinkState, Sent
from cleanside.gateway.uplink.fakes import FakeStream, problem
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply
from tests.unit.gateway.helpers import numbers, readings
from tests.unit.gateway.uplink.test_loop import Bench

PATH = "/v1/streams/marks"
NOW = datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
OPEN, OLD = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11", "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
SENTS = [
    Sent(stream=OPEN, acknowledged_through=100, appended_through=500, highest=100, released=100),
    Sent(stream=OLD, acknowledged_through=40, appended_through=40, highest=2**53, released=40, forked=True),
]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a", max_readings=10)
    yield made
    made.spool.close()


def marks(*entries: tuple[str, int, int], unknown: tuple[str, ...] = ()) -> Reply:
    """An answer: stream, mark, highest."""
    document = {
        "streams": [{"stream": s, "acknowledged_through": m, "highest": h} for s, m, h in entries],
        "unknown": list(unknown),
    }
    headers = {"content-type": "application/json"}
    return Reply(status=200, headers=headers, body=json.dumps(document).encode(), trusted=True)


# ---------------------------------------------------------------- what an answer means


def test_a_question_says_of_each_stream_what_is_known_and_held() -> None:
    request = question("grader-07-intake", SENTS)
    assert (request.method, request.path) == ("POST", PATH)
    assert json.loads(request.body) == {
        "device": "grader-07-intake",
        "streams": [
            {"stream": OPEN, "acknowledged_through": 100, "appended_through": 500},
            {"stream": OLD, "acknowledged_through": 40, "appended_through": 40},
        ],
    }


def test_each_stream_with_a_lower_mark_is_sent_again_from_there_a_forked_one_too() -> None:
    asked = decide_marks(LinkState(), SENTS, marks((OPEN, 60, 60), (OLD, 0, 0)), jitter=0.5, now=NOW)
    assert asked.answered
    assert [decision.rewind_to for _, decision in asked.decisions] == [60, 0]
    state = asked.decisions[-1][1].state
    assert state.asked == {OPEN, OLD}
    assert state.rewound == {(OPEN, 60), (OLD, 0)}


def test_a_stream_that_the_server_does_not_know_is_sent_again_from_its_beginning() -> None:
    asked = decide_marks(LinkState(), SENTS, marks((OPEN, 100, 100), unknown=(OLD,)), jitter=0.5, now=NOW)
    assert [decision.rewind_to for _, decision in asked.decisions] == [None, 0]


@pytest.mark.parametrize(
    "outcome",
    [
        NoAnswer("cut"),
        marks((OPEN, 60, 60)),  # not of all that were asked
        marks((OPEN, 60, 60), (OLD, 0, 0), ("another", 0, 0)),
        replace(marks((OPEN, 60, 60), (OLD, 0, 0)), headers={"content-type": "text/html"}),
        replace(marks(), body=b'{"streams": 7, "unknown": []}'),
        replace(marks(), body=b'{"streams": [{"stream": "x", "acknowledged_through": "1"}], "unknown": []}'),
        Reply(status=404, headers={"content-type": "text/html"}, body=b"<html>"),
        Reply(status=302, headers={}, body=b""),
        problem(503, "overloaded"),
    ],
)
def test_what_is_no_answer_rewinds_nothing_and_is_asked_again(outcome: Outcome) -> None:
    asked = decide_marks(LinkState(), SENTS, outcome, jitter=0.5, now=NOW)
    ((_, decision),) = asked.decisions
    assert (asked.answered, asked.one_by_one, decision.rewind_to) == (False, False, None)
    assert decision.state.failures == 1
    assert decision.wait_s > 0


@pytest.mark.parametrize("status", [404, 405])
def test_a_server_of_the_previous_release_is_asked_stream_by_stream(status: int) -> None:
    asked = decide_marks(LinkState(), SENTS, problem(status, "not_found"), jitter=0.5, now=NOW)
    assert (asked.one_by_one, list(asked.decisions)) == (True, [])


# ---------------------------------------------------------------- the loop


def lose(stream: FakeStream, first: int) -> None:
    """The server is back from a backup that had nothing from number `first` on."""
    for seq in [seq for seq in stream.held if seq >= first]:
        del stream.held[seq]


def pass_time(bench: Bench, seconds: float) -> None:
    bench.clock.advance(seconds)
    bench.drain()


def test_a_running_gateway_with_nothing_new_makes_a_restored_server_whole_within_the_interval(
    bench: Bench,
) -> None:
    """Found in a trial: ten minutes after a restore, nothing had come."""
    bench.spool.append(readings(1, 50))
    bench.drain()
    lose(next(iter(bench.server.streams.values())), 21)
    pass_time(bench, DEFAULT_ASK_EVERY_S)
    assert bench.held() == list(range(1, 51))


def test_the_same_backup_restored_twice_is_repaired_twice(bench: Bench) -> None:
    """Found in a trial: "rewound to 5 before", and no rewind until a restart."""
    bench.spool.append(readings(1, 50))
    bench.drain()
    (stream,) = bench.server.streams.values()
    for _ in range(3):
        lose(stream, 6)
        pass_time(bench, DEFAULT_ASK_EVERY_S)
        assert bench.held() == list(range(1, 51))
    assert len(bench.named("gateway.rewound")) == 3


def test_another_database_is_asked_at_once(bench: Bench) -> None:
    bench.spool.append(readings(1, 50))
    bench.drain()
    lose(next(iter(bench.server.streams.values())), 21)
    bench.server.streams["019abc00-7e1a-7c3e-8f00-5d2b8a9c0d99"] = FakeStream("another")
    bench.server.database = "database-2"
    bench.spool.append(readings(51, 51))
    bench.drain()
    assert bench.named("gateway.server_restored")
    assert [r.path for r in bench.server.requests].count(PATH) == 2
    assert bench.held() == list(range(1, 52))


def test_readings_of_a_forked_stream_that_the_server_lost_are_sent_again_under_it(bench: Bench) -> None:
    """Found in a trial: 2,000 readings of a forked stream stayed missing, after a restart too."""
    bench.spool.append(readings(1, 30))
    bench.drain()
    old = bench.spool.open_stream
    bench.spool.fork("stream_forked")
    bench.spool.append(readings(31, 35))
    bench.drain()
    bench.server.streams.clear()
    bench.restart()
    bench.drain()
    assert bench.held() == list(range(1, 36))
    assert sorted(bench.server.streams[old].held) == list(range(1, 31))


def test_what_went_to_the_new_stream_is_not_sent_twice_after_a_restore(bench: Bench) -> None:
    """Numbers that another spool gave too: their readings have another number, and one only."""
    bench.spool.append(readings(1, 10))
    bench.drain()
    old = bench.spool.open_stream
    bench.spool.append(readings(11, 15))
    theirs = {seq: json.dumps({"theirs": seq, "engine_speed": 1000 + seq}) for seq in range(11, 21)}
    bench.server.streams[old].held |= theirs
    bench.drain()
    assert bench.held() == [*range(1, 11), *(1000 + n for n in range(11, 21)), *range(11, 16)]
    lose(bench.server.streams[old], 1)
    pass_time(bench, DEFAULT_ASK_EVERY_S)
    assert bench.held() == [*range(1, 11), *range(11, 16)]
    assert bench.server.streams[old].shed == set(range(11, 16))  # theirs may still come, and are stored


def test_one_request_an_interval_however_many_streams(bench: Bench) -> None:
    for number in range(1, 8):
        bench.spool.append(readings(number, number))
        bench.drain()
        bench.spool.fork("stream_forked")
    bench.drain()  # declares the last new stream
    before = len(bench.server.requests)
    pass_time(bench, DEFAULT_ASK_EVERY_S)
    (request,) = bench.server.requests[before:]
    assert request.path == PATH
    assert len(json.loads(request.body)["streams"]) == 8


def test_a_server_of_the_previous_release_is_asked_about_every_stream_within_the_interval(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path / "a", previous_release=True)
    bench.spool.append(readings(1, 30))
    bench.drain()
    bench.spool.fork("stream_forked")
    bench.spool.append(readings(31, 35))
    bench.drain()
    bench.server.streams.clear()
    for _ in range(60):
        pass_time(bench, DEFAULT_ASK_EVERY_S / 30)
    assert sorted(bench.held()) == list(range(1, 36))
    bench.spool.close()


def test_streams_of_which_nothing_is_left_are_not_asked_about(bench: Bench) -> None:
    bench.spool.append(readings(1, 5))
    bench.drain()
    old = bench.spool.open_stream
    bench.spool.fork("stream_forked")
    assert bench.spool.held_streams == [bench.spool.open_stream, old]
    bench.spool.shed(old, 1, 5, reason="disk_budget")
    assert bench.spool.held_streams == [bench.spool.open_stream]
    assert numbers(bench.spool.peek()) == []
