"""What `status` says of a gateway that has worked: every figure compared with what really went on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from cleanside.gateway.cli import main
from cleanside.gateway.commands.live import Process
from cleanside.gateway.commands.standing import CANNOT_TELL, findings, look
from cleanside.gateway.commands.standing_text import as_text as standing_text
from cleanside.gateway.commands.status import as_document, as_text, read
from cleanside.gateway.uplink.fakes import FakeServer, problem
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import NoAnswer
from tests.unit.gateway.helpers import DEVICE, open_spool, reading, readings, settable_clock


class Bench:
    """A spool, a loop and a server that keeps the contract, in one simulated time."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = settable_clock()
        self.server = FakeServer(now_us=self.clock.true_us)
        self.spool = open_spool(path, self.clock, budget_bytes=2**20)
        self.spool.note("budget_bytes", 2**20)
        self.uplink = Uplink(
            self.spool,
            self.server,
            clock=self.clock,
            random=lambda: 0.5,
            log=lambda *_, **__: None,
            max_readings=10,
        )

    def turn(self, turns: int, *, seconds: float = 1.0) -> None:
        for _ in range(turns):
            self.uplink.step()
            self.clock.advance(seconds)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "a")
    yield made
    made.spool.close()


def test_before_anything_was_sent_it_says_what_is_not_known(bench: Bench) -> None:
    bench.spool.append([reading(1, timed=False)])
    status = read(bench.path, now_us=bench.clock.utc_us())
    document, text = as_document(status), as_text(status)
    assert (document["backlog"], document["waits_for_clock"]) == (1, True)
    assert (document["oldest_at"], document["rate_per_s"], document["drain_s"]) == (None, None, None)
    assert document["clock"]["anchor"] is None
    assert document["traffic"] == []
    assert "held until the clock is known" in text
    assert "nothing tells this boot's time" in text
    assert "draining     not at the moment" in text


def test_rate_drain_clock_budget_and_bytes_are_those_of_the_life_it_had(bench: Bench) -> None:
    bench.spool.append(readings(1, 1_500))
    bench.turn(121)  # a question, then ten readings a second; what is noted is noted once a minute
    bench.spool.note("link", bench.spool.state().notes["link"])
    status = read(bench.path, now_us=bench.clock.utc_us())
    document, text = as_document(status), as_text(status)

    assert document["backlog"] == 1_500 - 120 * 10
    assert document["oldest_at"] == "2026-12-02T09:20:10Z"  # 1 201 times ten seconds after six o'clock
    assert document["rate_per_s"] == pytest.approx(10, rel=0.1)
    assert document["drain_s"] == pytest.approx(300 / document["rate_per_s"])
    assert "readings/s, done in about 30 s" in text
    assert document["clock"]["anchor"] == "server"
    # The first answer told the time in its Date field, to the second (RFC 9110 section 6.6.1): half of one.
    assert document["clock"]["uncertainty_s"] == pytest.approx(0.5, abs=2e-3)
    assert "clock        from server, within" in text
    assert document["disk"]["budget_bytes"] == 2**20
    assert 0 < document["disk"]["used_bytes"] < 2**20
    assert "of 1 MiB used" in text
    assert document["disk"]["warning"] is False
    assert document["link"] == {"failing": False, "last_error": None}

    (day,) = document["traffic"]
    assert day["day"] == "2026-12-02"
    sent = sum(request.up_bytes for request in bench.server.requests)
    assert day["up_bytes"] == sent
    assert day["down_bytes"] > 0
    assert f"2026-12-02   {sent} bytes up" in text


def test_trouble_is_said_with_its_reason_and_goes_when_it_is_over(bench: Bench) -> None:
    bench.spool.append(readings(1, 100))
    bench.turn(3)
    bench.clock.advance(90)
    bench.server.faults.extend([NoAnswer("ConnectError: no route to host")] * 3)
    bench.turn(3, seconds=61)
    failing = read(bench.path, now_us=bench.clock.utc_us())
    assert as_document(failing)["link"] == {
        "failing": True,
        "last_error": "ConnectError: no route to host",
    }
    assert "link         failing; last trouble: ConnectError: no route to host" in as_text(failing)
    bench.turn(30, seconds=20)
    over = as_document(read(bench.path, now_us=bench.clock.utc_us()))
    assert over["link"]["failing"] is False
    assert over["backlog"] == 0


def test_a_request_that_found_no_connection_counts_no_bytes_up(bench: Bench) -> None:
    """Found in a trial: with every connection refused, status said "431 bytes up"."""
    bench.spool.append(readings(1, 10))
    bench.server.faults.extend([NoAnswer("ConnectError: Connection refused", was_connected=False)] * 3)
    bench.turn(3, seconds=61)
    assert sum(day["up_bytes"] for day in as_document(read(bench.path, now_us=0))["traffic"]) == 0
    bench.server.faults.extend(["lost"])
    bench.turn(3, seconds=61)
    assert sum(day["up_bytes"] for day in as_document(read(bench.path, now_us=0))["traffic"]) > 0


def test_trouble_that_is_over_within_a_minute_is_not_said_for_good(bench: Bench) -> None:
    """Notes are written once a minute, and a gateway with nothing to send writes none: 55 minutes of it."""
    bench.spool.append(readings(1, 10))
    bench.server.faults.extend([NoAnswer("ConnectError: no route to host")] * 2)
    bench.turn(2, seconds=2)
    failing = as_document(read(bench.path, now_us=bench.clock.utc_us()))
    assert (failing["link"]["failing"], failing["drain_s"]) == (True, None)
    bench.turn(6, seconds=2)
    bench.clock.advance(3_300)
    over = as_document(read(bench.path, now_us=bench.clock.utc_us()))
    assert (over["backlog"], over["link"]["failing"]) == (0, False)


@pytest.mark.parametrize("process", [Process("unknown", 7, "only its user may ask it"), Process("gone")])
def test_a_refused_key_is_to_do_where_the_process_does_not_answer_too(bench: Bench, process: Process) -> None:
    """As `status` of another user: the trouble stood on the line of the link alone, cut at its end."""
    bench.spool.append(readings(1, 10))
    bench.server.faults.append(problem(401, "key_unknown"))
    bench.turn(1)
    standing = replace(look(bench.path, bench.clock), process=process)
    [_, finding] = findings(standing)
    assert finding.code == "key_refused"
    to_do = " ".join(standing_text(standing).split("to do")[2].split())
    assert "401, key_unknown): it was revoked, or is of another server; check uplink.server" in to_do
    assert "cleanside-gateway enrol, with a one-time code from the shop" in to_do
    bench.server.faults.append(NoAnswer("ConnectError: no route to host"))
    bench.clock.advance(400)
    bench.turn(1)
    standing = replace(look(bench.path, bench.clock), process=process)
    assert "key_refused" not in {finding.code for finding in findings(standing)}


def test_nothing_drains_while_the_link_fails(bench: Bench) -> None:
    bench.spool.append(readings(1, 1_500))
    bench.turn(70)
    bench.server.faults.extend([NoAnswer("ConnectError: no route to host")] * 9)
    bench.turn(2, seconds=2)
    failing = read(bench.path, now_us=bench.clock.utc_us())
    assert failing.rate_per_s
    assert failing.drain_s is None
    assert "done in" not in as_text(failing)


def test_bytes_are_counted_by_day(bench: Bench) -> None:
    for _ in range(3):
        bench.spool.append(readings(1, 10))
        bench.turn(3)
        bench.clock.advance(86_400)
    bench.spool.note("link", {})  # what is counted is written with the next note
    days = as_document(read(bench.path, now_us=bench.clock.utc_us()))["traffic"]
    assert [entry["day"] for entry in days] == ["2026-12-02", "2026-12-03", "2026-12-04"]
    assert all(entry["up_bytes"] > 0 and entry["down_bytes"] > 0 for entry in days)


def test_the_command_says_the_same_for_people_and_for_programs(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.spool.append(readings(1, 25))
    bench.turn(2)
    flags = ["--device", DEVICE, "--spool-path", str(bench.path)]
    assert main(["status", *flags]) == CANNOT_TELL  # no gateway runs here
    text = capsys.readouterr().out
    assert main(["status", "--json", *flags]) == CANNOT_TELL
    document = json.loads(capsys.readouterr().out)
    assert f"waiting      {document['backlog']} readings" in text
    assert f"device       {document['device']}" in text
    assert f"from {document['clock']['anchor']}" in text
    assert document["streams"][0]["stream"] in text
