"""
A real standby is stopped, and no one cancels the commit that waits for it: who asks is answered in time.

PostgreSQL ends no such wait by itself, `statement_timeout` or not. What is answered with 503 may be stored
once the standby is back; it is never acknowledged before, never lost, and never there twice.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

import httpx
import pytest

from cleanside.ingest.settings import load
from cleanside.ingest.store import database
from cleanside.ingest.writer import under_way
from tests.support.databases import migrate
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.serving import DEVICE, STREAM, Api, ServerProcess, batch, in_process, make_keys
from tests.support.standbys import Replicated

#: three servers start beside each other on a busy machine
pytestmark = [pytest.mark.postgres, pytest.mark.timeout(300)]

STATEMENT_TIMEOUT_S = 1.0  # below every time after which the test looks
STANDS_AFTER_S = 2.0
ANSWER_WITHIN_S = 5.0
SLACK_S = 10.0  # for a busy machine
STOP_WITHIN_S = 20.0  # after it the container files have the process killed
MANY = 60  # more than the server has threads for requests (40)
WAITING = "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'SyncRep'"
MARKS = {"device": DEVICE, "streams": [{"stream": STREAM, "acknowledged_through": 1, "appended_through": 4}]}


@pytest.fixture
def replicated() -> Iterator[Replicated]:
    servers = Replicated()
    yield servers
    servers.close()


def standbys(replicated: Replicated, *, run: bool) -> None:
    """Stop both standbys, or start them again and wait until they follow."""
    for node in replicated.nodes[1:]:
        node.start() if run else node.stop()
    streaming = "SELECT count(*) FROM pg_stat_replication WHERE state = 'streaming'"
    replicated.primary.wait_for(streaming, 2 if run else 0)


class Asked:
    """Requests from threads of their own, and how long each took."""

    def __init__(self, api: Api, pool: ThreadPoolExecutor) -> None:
        self._api = api
        self._pool = pool

    def __call__(
        self, method: str, path: str, document: object = None, *, key: str | None = "device"
    ) -> Future[tuple[float, httpx.Response]]:
        """A request that is under way. Its answer comes with the seconds that it took."""

        def ask() -> tuple[float, httpx.Response]:
            began_s = time.monotonic()
            answer = self._api.request(method, path, key=key, json=document)
            return time.monotonic() - began_s, answer

        return self._pool.submit(ask)


def require_away(asked: Future[tuple[float, httpx.Response]], *, within_s: float) -> None:
    """Nothing is acknowledged, and the answer says which machine is missing."""
    took_s, answer = asked.result(within_s + SLACK_S)
    assert (answer.status_code, answer.json()["code"]) == (503, "standby_away"), answer.text
    assert "synchronous_standby_names" in answer.json()["detail"]
    assert int(answer.headers["Retry-After"]) > 0
    assert took_s < within_s + SLACK_S


def test_who_asks_is_answered_while_a_commit_waits_and_all_goes_on_after(
    replicated: Replicated, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "STATEMENT_TIMEOUT_MS", round(STATEMENT_TIMEOUT_S * 1000))
    monkeypatch.setattr(under_way, "COMMIT_STANDS_AFTER_S", STANDS_AFTER_S)
    monkeypatch.setattr(under_way, "ANSWER_WITHIN_S", ANSWER_WITHIN_S)
    migrate(replicated.url)
    chosen = load(flags={"database": replicated.url, "durability": "standby"}, environ={})
    with in_process(replicated.url, settings=chosen) as api, ThreadPoolExecutor(3 * MANY) as pool:
        asked = Asked(api, pool)
        api.register()
        api.send(batch(1, [3.0]))
        standbys(replicated, run=False)

        posted = asked("POST", "/v1/readings", batch(2, [3.0, 3.1, 3.2]))
        replicated.primary.wait_for(WAITING, 1)
        # All at once, so that they would hold every thread for as long as the standby is away.
        marks = [asked("GET", f"/v1/streams/{STREAM}") for _ in range(MANY)]
        of_gateways = [asked("POST", "/v1/streams/marks", MARKS) for _ in range(MANY)]
        by_hand = [asked("POST", "/v1/sites", {"site": f"yard-{n}"}, key="admin") for n in range(MANY)]
        took_s, alive = asked("GET", "/healthz", key=None).result(SLACK_S)
        assert (alive.status_code, took_s < STANDS_AFTER_S) == (200, True)
        for each in [*marks, *of_gateways, *by_hand]:
            require_away(each, within_s=2 * STANDS_AFTER_S)
        require_away(posted, within_s=ANSWER_WITHIN_S)

        # The statement's time is over since long, and the commit waits all the same.
        assert replicated.primary.ask(WAITING) == 1
        require_away(asked("GET", "/readyz", key=None), within_s=0.0)
        require_away(asked("GET", f"/v1/streams/{STREAM}"), within_s=0.0)
        again = asked("POST", "/v1/readings", batch(2, [3.0, 3.1, 3.2]))
        assert asked("GET", "/v1/fleet", key="admin").result(SLACK_S)[1].status_code == 200
        require_away(again, within_s=ANSWER_WITHIN_S)

        standbys(replicated, run=True)
        replicated.primary.wait_for(WAITING, 0)
        stored = api.send(batch(2, [3.0, 3.1, 3.2]))
        assert (stored["acknowledged_through"], stored["stored"], stored["duplicates"]) == (4, 0, 3)
        assert api.get(f"/v1/streams/{STREAM}", key="device").json()["acknowledged_through"] == 4
        assert api.post("/v1/streams/marks", MARKS, key="device").status_code == 200
        assert api.post("/v1/sites", {"site": "yard-next"}).status_code == 200
        assert api.get("/readyz", key=None).status_code == 200
        assert len(api.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]) == 4
        assert api.account()["balances"]


def test_a_server_starts_and_stops_while_the_standbys_are_away(replicated: Replicated) -> None:
    """It serves what only reads, says what it waits for, and a stop waits for no commit that stands still."""
    migrate(replicated.url)
    server = ServerProcess(replicated.url, make_keys(replicated.url, [DEVICE]), "--durability", "standby")
    try:
        standbys(replicated, run=False)
        for life in range(2):  # the first one makes what every start looks for
            server.start()
            require_waits(server)
            assert stopped_within_s(server) < STOP_WITHIN_S, life

        server.start()
        require_waits(server)
        standbys(replicated, run=True)
        with server.client("operator") as http, server.client() as device:
            wait_until(lambda: http.get("/readyz").status_code == 200, "it goes on by itself")
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
            device.post("/v1/readings", json=batch(1, [3.0])).raise_for_status()

        standbys(replicated, run=False)
        with ThreadPoolExecutor(1) as pool, server.client() as device:
            posted = pool.submit(device.post, "/v1/readings", json=batch(2, [3.0, 3.1]))
            replicated.primary.wait_for(WAITING, 1)
            assert stopped_within_s(server) < STOP_WITHIN_S
            with suppress(httpx.TransportError):  # cut off, or the server said that it ends
                assert posted.result(SLACK_S).status_code in (500, 503)
        standbys(replicated, run=True)
        server.start()
        with server.client() as device, server.client("admin") as http:
            again = device.post("/v1/readings", json=batch(2, [3.0, 3.1])).json()
            assert (again["acknowledged_through"], again["stored"] + again["duplicates"]) == (3, 2)
            assert http.get("/v1/account").json()["balances"]
        assert server.stop() == 0
    finally:
        server.close()


def require_waits(server: ServerProcess) -> None:
    """It answers at once, acknowledges nothing, and says why."""
    with server.client() as http, server.client("admin") as admin:
        assert http.get("/healthz").status_code == 200
        ready = http.get("/readyz")
        assert (ready.status_code, ready.json()["code"]) == (503, "standby_away")
        assert admin.get("/v1/fleet").status_code == 200
        posted = http.post("/v1/readings", json=batch(1, [3.0]))
        assert posted.status_code >= 400


def stopped_within_s(server: ServerProcess) -> float:
    """Have it end in good order; the seconds that it took."""
    began_s = time.monotonic()
    assert server.stop() == 0, server.log()
    return time.monotonic() - began_s


def test_a_first_schema_says_that_it_waits_for_a_standby_and_is_made_once_one_is_back(
    replicated: Replicated,
) -> None:
    standbys(replicated, run=False)
    command = [sys.executable, "-m", "cleanside.ingest", "migrate", "--database", replicated.url]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as migrating:
        assert migrating.stdout is not None
        assert migrating.stderr is not None
        said = migrating.stderr.readline()
        assert "waits until a standby of synchronous_standby_names confirms it" in said
        assert migrating.poll() is None
        standbys(replicated, run=True)
        assert migrating.stdout.readline().startswith("schema none -> ")
        assert migrating.wait(SLACK_S) == 0


def test_a_gateway_is_told_and_goes_on_by_itself(replicated: Replicated, tmp_path: Path) -> None:
    migrate(replicated.url)
    tokens = make_keys(replicated.url, [DEVICE])
    server = ServerProcess(replicated.url, tokens, "--durability", "standby", "--log-level", "error")
    gateway = None
    try:
        server.start()
        with server.client("operator") as http:
            http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()
        gateway = GatewayProcess(
            tmp_path, device=DEVICE, key=tokens["device"], server=server.url, ask_every_s=1.0
        )
        gateway.start()
        gateway.write({"restriction": 3.0})
        wait_until(
            lambda: gateway.appended() == 1 and gateway.released() == 1, "the first reading is acknowledged"
        )

        standbys(replicated, run=False)
        for n in range(20):
            gateway.write({"restriction": 3.0 + n / 100})
        wait_until(lambda: "standby_away" in gateway.log(), "the gateway hears why")
        assert (gateway.appended(), gateway.released()) == (21, 1)

        standbys(replicated, run=True)
        wait_until(lambda: gateway.released() == 21, "it sent again, and was acknowledged")
        with server.client("admin") as http:
            assert len(http.get(f"/v1/devices/{DEVICE}/readings").json()["readings"]) == 21
            assert http.get("/v1/account").json()["balances"]
        gateway.end_input()
        assert gateway.wait() == 0
        assert server.stop() == 0
    finally:
        if gateway is not None:
            gateway.close()
        server.close()
