"""
The server is killed with SIGKILL while batches are in flight; clients send again until they are acknowledged.

Promised: no 200 for what is not durable, nothing lost, nothing twice.
"""

from __future__ import annotations

import itertools
import logging
import random
import threading
import time
from collections.abc import Callable, Iterable

import httpx
import pytest

from cleanside.ingest.store import account, database
from tests.support import held
from tests.support.serving import DEVICE, ServerProcess, batch, bearer

log = logging.getLogger(__name__)

CLIENTS = 4
BATCHES = 30
BATCH_ROWS = 25
KILLS = 4
GIVE_UP_AFTER_S = 90.0
RETRY_AFTER_S = 0.02  # leaves the processor to the server that starts
KILLING_FOR_S = 12.0  # the run with as many kills as fit; chosen: what a change can wait for
AT_LEAST_KILLS = 2  # on a machine so busy that a start takes 5 s


def stream_of(client: int) -> str:
    return f"019abc00-7e1a-7c3e-8f00-{client:012d}"


class Sender(threading.Thread):
    """Posts batches in order, each again until it is acknowledged; keeps the answers."""

    def __init__(
        self, server: ServerProcess, client: int, *, indexes: Iterable[int] = range(BATCHES)
    ) -> None:
        super().__init__(daemon=True)
        self.server = server
        self.client = client
        self.indexes = indexes
        self.retry_after_s = RETRY_AFTER_S
        self.enough = threading.Event()
        self.acknowledged = 0
        self.resent = 0

    def run(self) -> None:
        with httpx.Client(
            headers=bearer(self.server.tokens["device"]), timeout=10.0, trust_env=False
        ) as http:
            for index in self.indexes:
                if self.enough.is_set():
                    return
                first = index * BATCH_ROWS + 1
                values = [3.0 + (first + i) % 50 / 100 for i in range(BATCH_ROWS)]
                document = batch(first, values, stream=stream_of(self.client))
                give_up_at = time.monotonic() + GIVE_UP_AFTER_S
                while not self._post(http, document):
                    self.resent += 1
                    self.enough.wait(self.retry_after_s)
                    assert time.monotonic() < give_up_at

    def _post(self, http: httpx.Client, document: dict[str, object]) -> bool:
        try:
            response = http.post(f"{self.server.url}/v1/readings", json=document)
        except httpx.TransportError:
            return False
        if response.status_code == 503:
            return False
        assert response.status_code == 200, response.text
        self.acknowledged = response.json()["acknowledged_through"]
        return True


def run_with_kills(server: ServerProcess, seed: int) -> list[Sender]:
    """Kill the server at moments of progress, so that batches are in flight, and start it again."""
    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    chance = random.Random(seed)
    senders = [Sender(server, client) for client in range(CLIENTS)]
    for sender in senders:
        sender.start()
    total = CLIENTS * BATCHES * BATCH_ROWS
    points = sorted(chance.randrange(total * 9 // 10) for _ in range(KILLS))
    for point in points:
        wait_for(senders, point)
        server.kill()
        server.start()
    for sender in senders:
        sender.join(GIVE_UP_AFTER_S)
        assert not sender.is_alive()
    return senders


def wait_for(senders: list[Sender], acknowledged: int) -> None:
    """Until the senders together are that far, so that batches are in flight."""
    deadline = time.monotonic() + GIVE_UP_AFTER_S
    while sum(s.acknowledged for s in senders) < acknowledged:
        assert time.monotonic() < deadline
        senders[0].join(0.001)


def kill_for(server: ServerProcess, seconds: float, seed: int) -> tuple[list[Sender], int]:
    """Kill and start again until the time is up; the senders go on all the while. Returns the kills too."""
    chance = random.Random(seed)
    senders = [Sender(server, client, indexes=itertools.count()) for client in range(CLIENTS)]
    for sender in senders:
        sender.start()
    kills, until = 0, time.monotonic() + seconds
    while time.monotonic() < until:
        wait_for(senders, sum(s.acknowledged for s in senders) + chance.randrange(1, 8 * BATCH_ROWS))
        server.kill()
        server.start()
        kills += 1
    for sender in senders:
        sender.enough.set()
        sender.join(GIVE_UP_AFTER_S)
        assert not sender.is_alive()
    return senders, kills


@pytest.mark.parametrize("seed", [1, 2])
def test_a_killed_server_loses_nothing_and_stores_nothing_twice(
    database_url: str, start_server: Callable[..., ServerProcess], seed: int
) -> None:
    server = start_server(database_url)
    senders = run_with_kills(server, seed)
    assert sum(sender.resent for sender in senders) > 0
    assert server.stop() == 0
    assert [sender.acknowledged for sender in senders] == [BATCHES * BATCH_ROWS] * CLIENTS
    assert_all_there_once(database_url, senders)


def test_as_many_kills_as_fit_lose_nothing_and_store_nothing_twice(
    sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    server = start_server(sqlite_database_url)
    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    senders, kills = kill_for(server, KILLING_FOR_S, seed=3)
    resent = sum(sender.resent for sender in senders)
    taken = sum(sender.acknowledged for sender in senders)
    log.info("%d kills, %d posts repeated, %d readings", kills, resent, taken)  # --log-cli-level=INFO
    assert kills >= AT_LEAST_KILLS
    assert resent > 0
    assert server.stop() == 0
    assert_all_there_once(sqlite_database_url, senders)


def assert_all_there_once(database_url: str, senders: list[Sender]) -> None:
    """Each sender's numbers are there from the first to the last acknowledged, once, with their values."""
    engine = database.reading_engine(database_url)
    with engine.connect() as connection:
        found = held.stored(connection)
        for sender in senders:
            rows = [row for row in found if row["stream"] == stream_of(sender.client)]
            expected = range(1, sender.acknowledged + 1)
            assert [row["seq"] for row in rows] == list(expected)
            assert [row["restriction_pa"] for row in rows] == pytest.approx(
                [1000 * (3.0 + n % 50 / 100) for n in expected]
            )
        assert all(a.balances for a in account.accounts(connection))
    engine.dispose()


def test_what_was_acknowledged_before_a_kill_is_there_after_it(server: ServerProcess) -> None:
    """Nothing is sent again here: the acknowledgement alone has to hold."""
    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
    for first in range(1, 60, 10):
        with server.client() as http:
            response = http.post("/v1/readings", json=batch(first, [3.0] * 10))
            mark = response.json()["acknowledged_through"]
        server.kill()
        server.start()
        with server.client() as http:
            state = http.get(f"/v1/streams/{response.json()['stream']}").json()
        assert state["acknowledged_through"] == mark == first + 9


def test_a_second_process_is_refused_the_file_that_is_served(
    server: ServerProcess, capsys: pytest.CaptureFixture[str]
) -> None:
    from cleanside.ingest.cli import main

    assert main(["migrate", "--database", server.database_url]) == 2
    assert "is being served by another process" in capsys.readouterr().err
