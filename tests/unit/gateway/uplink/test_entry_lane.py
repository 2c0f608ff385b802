"""Entries on their way: once, in order, and never in the way of readings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.gateway.uplink.entry_lane import ENTRIES_PATH
from cleanside.gateway.uplink.fakes import problem
from cleanside.gateway.uplink.loop import DEFAULT_ASK_EVERY_S
from cleanside.gateway.uplink.transport import NoAnswer, Reply
from tests.unit.gateway.helpers import readings, server_anchor
from tests.unit.gateway.uplink.test_loop import Bench

NEW = {"what": "new", "note": "", "by": "T. Wolny"}
PORTAL = Reply(status=200, headers={"content-type": "text/html"}, body=b"<p>Welcome</p>")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a", max_readings=10)
    yield made
    made.spool.close()


@pytest.fixture
def old(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a", max_readings=10, previous_release=True)
    yield made
    made.spool.close()


def taken(bench: Bench) -> list[tuple[int, str]]:
    """What the server took, in the order in which it did."""
    return [(seq, entry["entry_id"]) for held in bench.server.entries.values() for seq, entry in held]


def asked(bench: Bench) -> int:
    return sum(request.path == ENTRIES_PATH for request in bench.server.requests)


def enter(bench: Bench, *names: str) -> None:
    for name in names:
        bench.spool.enter(name, NEW)


def test_entries_arrive_once_and_in_order_with_readings_around_them(bench: Bench) -> None:
    bench.spool.append(readings(1, 30))
    enter(bench, *(f"e-{number}" for number in range(120)))
    bench.spool.append(readings(31, 60))
    bench.drain()
    assert taken(bench) == [(number + 1, f"e-{number}") for number in range(120)]
    assert bench.held() == list(range(1, 61))


def test_without_entries_nothing_is_asked(bench: Bench) -> None:
    bench.spool.append(readings(1, 30))
    bench.drain()
    assert asked(bench) == 0


def test_a_server_of_the_previous_release_delays_no_reading_and_the_entries_stay(old: Bench) -> None:
    """It answers 404 there. The entries go once it is replaced."""
    enter(old, "e-1", "e-2")
    for number in range(10):
        old.spool.append(readings(5 * number + 1, 5 * number + 5))
        waited = [old.uplink.step().wait_s for _ in range(4)]
        assert waited == [0.0] * 4
    old.drain()
    assert old.held() == list(range(1, 51))
    assert (asked(old), old.spool.entries_waiting()) == (1, 2)
    old.clock.advance(DEFAULT_ASK_EVERY_S + 1)
    old.drain()
    assert asked(old) == 2, "asked again later"
    old.server._previous_release = False
    old.clock.advance(DEFAULT_ASK_EVERY_S + 1)
    old.drain()
    assert taken(old) == [(1, "e-1"), (2, "e-2")]
    assert old.spool.entries_waiting() == 0


@pytest.mark.parametrize(
    "fault", ["lost", NoAnswer("gone"), PORTAL, problem(503, "overloaded"), problem(403, "key_suspended")]
)
def test_whatever_happens_to_the_request_readings_go_on_at_once(bench: Bench, fault: object) -> None:
    bench.spool.anchor(server_anchor(bench.clock))
    bench.drain()
    enter(bench, "e-1")
    bench.server.faults.append(fault)  # type: ignore[arg-type]
    assert bench.uplink.step().wait_s == 0.0
    assert asked(bench) == 1
    bench.spool.append(readings(1, 5))
    assert bench.uplink.step().wait_s == 0.0
    assert bench.held() == list(range(1, 6))
    bench.clock.advance(61)
    bench.drain()
    assert (taken(bench), bench.spool.entries_waiting()) == ([(1, "e-1")], 0)


def test_while_the_link_fails_entries_are_not_tried(bench: Bench) -> None:
    bench.spool.append(readings(1, 5))
    enter(bench, "e-1")
    bench.server.faults.extend([NoAnswer("gone")] * 5)
    for _ in range(5):
        bench.clock.advance(bench.uplink.step().wait_s)
    assert asked(bench) == 0
    bench.drain()
    assert taken(bench) == [(1, "e-1")]


def test_a_restart_in_the_middle_doubles_nothing(bench: Bench) -> None:
    bench.spool.anchor(server_anchor(bench.clock))
    bench.drain()
    enter(bench, "e-1", "e-2")
    bench.server.faults.append("lost")
    bench.uplink.step()
    bench.restart()
    enter(bench, "e-3")
    bench.drain()
    assert taken(bench) == [(1, "e-1"), (2, "e-2"), (3, "e-3")]


def test_a_restored_server_is_sent_what_it_lacks(bench: Bench) -> None:
    enter(bench, "e-1", "e-2", "e-3")
    bench.drain()
    (held,) = bench.server.entries.values()
    del held[1:]
    bench.server.database = "database-2"
    bench.spool.append(readings(1, 3))
    bench.drain()
    assert taken(bench) == [(1, "e-1"), (2, "e-2"), (3, "e-3")]


def test_an_answer_of_another_stream_or_beyond_what_was_sent_releases_nothing(bench: Bench) -> None:
    bench.spool.anchor(server_anchor(bench.clock))
    bench.drain()
    enter(bench, "e-1")
    stream = bench.spool.next_entries()
    assert stream is not None
    for body in (b'{"stream": "other", "acknowledged_through": 1}', b"[]", b"{}"):
        bench.server.faults.append(Reply(status=200, headers={"content-type": "application/json"}, body=body))
        bench.uplink.step()
        bench.clock.advance(61)
    beyond = f'{{"stream": "{stream.stream}", "acknowledged_through": 2}}'.encode()
    bench.server.faults.append(Reply(status=200, headers={"content-type": "application/json"}, body=beyond))
    bench.uplink.step()
    assert bench.spool.entries_waiting() == 1
