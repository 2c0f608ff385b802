"""Invariants 1, 2, 3, 4 and 8: lost, twice, order, acknowledged, restored. Real processes, real files."""

from __future__ import annotations

import contextlib
import random
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import httpx
import pytest

from cleanside.gateway.wire import parse_instant
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.held import quarantined_of, readings_of
from tests.support.link import Link
from tests.support.serving import DEVICE, STREAM, ServerProcess, batch

POWER_CUTS = 15
SERVER_KILLS = 5
NOTHING_MORE = {"use": "ndjson", "units": {"restriction": "Pa"}}


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def fleet(server: ServerProcess) -> ServerProcess:
    """A server that knows the device."""
    register(server)
    return server


def register(server: ServerProcess) -> None:
    with server.client("admin") as client:
        client.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
        client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()


def a_gateway(tmp_path: Path, fleet: ServerProcess, url: str, stack: ExitStack) -> GatewayProcess:
    gateway = GatewayProcess(
        tmp_path, device=DEVICE, key=fleet.tokens["device"], server=url, source=NOTHING_MORE
    )
    stack.callback(gateway.close)
    return gateway


def drain(gateway: GatewayProcess) -> None:
    gateway.start()
    gateway.end_input()
    assert gateway.wait() == 0, gateway.log()


def append_through_power_cuts(spool: Path, *, cuts: int, seed: int) -> list[int]:
    """Kill a writing process again and again. Returns, for each life, the number it last said was on disk."""
    chance = random.Random(seed)
    said: list[int] = []
    for cut in range(cuts):
        # Each life counts from its own thousands, so that nothing can stand in for a lost reading of another.
        command = [sys.executable, "-m", "tests.support.appender", str(spool), DEVICE, str(cut * 10_000 + 1)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as child:
            assert child.stdout is not None
            for _ in range(chance.randint(3, 60)):
                last = int(child.stdout.readline())
            assert last < (cut + 1) * 10_000
            child.kill()
            rest = child.stdout.read().split()  # what it still said before the kill reached it
            said.append(int(rest[-1]) if rest else last)
    return said


def test_invariant_1_nothing_lost(tmp_path: Path, fleet: ServerProcess, stack: ExitStack) -> None:
    """
    A reading whose append returned is at the server after power cuts, a lost link and lost replies.

    A process that appends is killed with SIGKILL fifteen times while it writes; then a gateway drains the
    spool over a link that is cut and loses replies, and is itself killed on the way.
    """
    gateway = a_gateway(tmp_path, fleet, "http://127.0.0.1:1", stack)
    said = append_through_power_cuts(gateway.spool_path, cuts=POWER_CUTS, seed=1)
    appended = gateway.appended()
    link = stack.enter_context(Link(fleet.port))
    gateway = a_gateway(tmp_path, fleet, link.url, stack)
    link.lose_replies(2)
    gateway.start()
    wait_until(lambda: link.replies_lost == 2, "replies are lost")
    gateway.kill()
    drain(gateway)
    held = readings_of(fleet.database_url, DEVICE)
    assert [seq for seq, _, _ in held] == list(range(1, appended + 1))
    numbers = [round(pa * 10) for _, _, pa in held if pa is not None]
    for life, last in enumerate(said):
        of_life = [n for n in numbers if life * 10_000 < n <= (life + 1) * 10_000]
        assert of_life[: last - life * 10_000] == list(range(life * 10_000 + 1, last + 1))


def test_invariant_2_nothing_twice(tmp_path: Path, fleet: ServerProcess, stack: ExitStack) -> None:
    """Lost replies and a rewind to the first number: each reading is stored once."""
    link = stack.enter_context(Link(fleet.port))
    gateway = a_gateway(tmp_path, fleet, link.url, stack)
    append_through_power_cuts(gateway.spool_path, cuts=2, seed=2)
    link.lose_replies(4)
    drain(gateway)
    assert link.replies_lost == 4
    once = readings_of(fleet.database_url, DEVICE)
    rewind = [
        sys.executable,
        "-m",
        "gateway",
        "rewind",
        "--spool-path",
        str(gateway.spool_path),
        "--device",
        DEVICE,
    ]
    subprocess.run([*rewind, "--from", "1"], check=True, capture_output=True)
    assert gateway.released() == 0
    drain(gateway)
    assert readings_of(fleet.database_url, DEVICE) == once
    with fleet.client("operator") as client:
        [line] = client.get("/v1/account").json()["streams"]
    assert line["stored"] == len(once) == gateway.appended()
    # The rewind sent all again; after a lost reply the server's mark releases what it stored.
    assert line["duplicates"] >= len(once)


def test_invariant_2_the_same_number_with_other_content_is_kept_beside_the_first(
    fleet: ServerProcess,
) -> None:
    """A conflict never overwrites and is never dropped."""
    with fleet.client() as client:
        client.post("/v1/readings", json=batch(1, [3.0, 3.1, 3.2])).raise_for_status()
        answer = client.post("/v1/readings", json=batch(2, [9.9])).json()
    assert [note["code"] for note in answer["quarantined"]] == ["number_conflict"]
    assert [pa for _, _, pa in readings_of(fleet.database_url, DEVICE)] == [3000.0, 3100.0, 3200.0]
    assert quarantined_of(fleet.database_url, DEVICE) == [(2, "number_conflict")]


def test_invariant_3_in_order(tmp_path: Path, fleet: ServerProcess, stack: ExitStack) -> None:
    """At every moment what is acknowledged is a prefix that the server holds whole."""
    link = stack.enter_context(Link(fleet.port))
    gateway = a_gateway(tmp_path, fleet, link.url, stack)
    append_through_power_cuts(gateway.spool_path, cuts=3, seed=3)
    [stream] = [s.stream for s in gateway.state().streams]
    link.lose_replies(2)
    gateway.start()
    gateway.end_input()
    marks = [0]
    with fleet.client("admin") as client:
        while gateway.runs():
            state = client.get(f"/v1/streams/{stream}")
            if state.status_code == 200:
                mark = state.json()["acknowledged_through"]
                assert mark >= marks[-1]
                held = [seq for seq, _, _ in readings_of(fleet.database_url, DEVICE) if seq <= mark]
                assert held == list(range(1, mark + 1))
                marks.append(mark)
    assert gateway.wait() == 0
    assert len(set(marks)) > 1


def test_invariant_3_one_bad_reading_never_blocks_those_behind_it(
    tmp_path: Path, fleet: ServerProcess, stack: ExitStack
) -> None:
    """A reading of impossible restriction is quarantined under its number; the mark passes it."""
    gateway = a_gateway(tmp_path, fleet, fleet.url, stack)
    gateway.start()
    for value in (3000, 3050, 9e9, 3100):
        gateway.write({"at": f"2026-03-02T06:00:{value % 60:02.0f}Z", "restriction": value})
    gateway.end_input()
    assert gateway.wait() == 0, gateway.log()
    assert gateway.released() == 4
    assert [pa for _, _, pa in readings_of(fleet.database_url, DEVICE)] == [3000.0, 3050.0, 3100.0]
    assert quarantined_of(fleet.database_url, DEVICE) == [(3, "out_of_range")]


def test_invariant_4_acknowledged_means_committed(fleet: ServerProcess) -> None:
    """
    The server is killed with SIGKILL five times while four clients post; what got a 200 is stored.
    """
    stop = threading.Event()
    acknowledged: dict[str, int] = {}
    posters = [
        threading.Thread(target=post_until, args=(fleet, f"{STREAM[:-1]}{n}", stop, acknowledged))
        for n in range(4)
    ]
    for poster in posters:
        poster.start()
    chance = random.Random(4)
    for _ in range(SERVER_KILLS):
        before = sum(acknowledged.values())
        more = chance.randint(20, 200)
        wait_until(lambda n=before + more: sum(acknowledged.values()) >= n, "batches are acknowledged")  # type: ignore[misc]
        fleet.kill()
        fleet.start()
    stop.set()
    for poster in posters:
        poster.join()
    assert len(acknowledged) == 4
    held = readings_of(fleet.database_url, DEVICE)
    assert len(held) >= sum(acknowledged.values())
    with fleet.client("admin") as client:
        for stream, through in acknowledged.items():
            assert client.get(f"/v1/streams/{stream}").json()["acknowledged_through"] >= through
        assert client.get("/v1/account").json()["balances"] is True


def post_until(
    fleet: ServerProcess, stream: str, stop: threading.Event, acknowledged: dict[str, int]
) -> None:
    """Post batches of five in order, again after every failure; note what was acknowledged."""
    through = 0
    with fleet.client() as client:
        while not stop.is_set():
            with contextlib.suppress(httpx.TransportError):
                reply = client.post("/v1/readings", json=batch(through + 1, [3.0] * 5, stream=stream))
                if reply.status_code == 200:
                    through = acknowledged[stream] = reply.json()["acknowledged_through"]


def test_invariant_8_a_restored_server_catches_up(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess], stack: ExitStack
) -> None:
    """The server comes back from an older copy of its database; the gateway sends again from there."""
    server = start_server(sqlite_database_url)
    register(server)
    gateway = a_gateway(tmp_path, server, server.url, stack)
    append_through_power_cuts(gateway.spool_path, cuts=1, seed=5)
    drain(gateway)
    server.stop()
    database, copy = tmp_path / "ingest.db", tmp_path / "copy.db"
    shutil.copy(database, copy)
    server.start()
    append_through_power_cuts(gateway.spool_path, cuts=1, seed=6)
    drain(gateway)
    before = readings_of(sqlite_database_url, DEVICE)
    assert len(before) == gateway.appended()
    server.stop()
    for leftover in tmp_path.glob("ingest.db*"):
        if leftover.suffix != ".lock" and leftover.is_file():
            leftover.unlink()
    shutil.copy(copy, database)
    assert len(readings_of(sqlite_database_url, DEVICE)) < len(before)
    server.start()
    append_through_power_cuts(gateway.spool_path, cuts=1, seed=7)
    drain(gateway)
    held = readings_of(sqlite_database_url, DEVICE)
    assert held[: len(before)] == before
    assert len(held) == gateway.appended() > len(before)


def test_what_the_appender_writes_is_what_these_tests_expect() -> None:
    from tests.support.appender import reading

    assert reading(7).values == {"restriction": 0.7}
    at = reading(7).at
    assert at is not None
    assert at.timestamp() * 1e6 == parse_instant("2026-03-02T06:00:00.7Z").us
