"""
The database fails in every way it can while batches come in: no acknowledgement for what is not durable.

Slow, locked, standing still, killed, lost exactly in COMMIT, disk full; and each time the server goes on by
itself once the database does.
"""

from __future__ import annotations

import os
import resource
import signal
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import account, database, dialect
from cleanside.ingest.store.models import streams
from cleanside.ingest.writer.writer import as_our_errors
from tests.fault.test_ingest_killed import Sender, assert_all_there_once, stream_of, wait_for
from tests.support.databases import Postgres, opened
from tests.support.relay import DID_NOT_REACH, REACHED, Relay
from tests.support.serving import DEVICE, ServerProcess, batch, in_process

PATIENCE_S = 60.0
MANY_ENDED = 20


def until(happened: Callable[[], Any], *, within_s: float = PATIENCE_S) -> Any:
    """Wait for a condition, with a deadline. Returns what it gave."""
    deadline, pause = time.monotonic() + within_s, threading.Event()
    while not (found := happened()):
        assert time.monotonic() < deadline
        pause.wait(0.05)
    return found


def register(server: ServerProcess) -> None:
    with server.client("operator") as http:
        http.post("/v1/devices", json={"device": DEVICE}).raise_for_status()


def post(server: ServerProcess, document: dict[str, Any], *, timeout_s: float = 40.0) -> httpx.Response:
    with server.client() as http:
        return http.post("/v1/readings", json=document, timeout=timeout_s)


def assert_says_later(response: httpx.Response) -> None:
    assert (response.status_code, response.json()["code"]) == (503, "store_unavailable"), response.text
    assert int(response.headers["retry-after"]) >= 1


@pytest.fixture
def own_postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Postgres]:
    """A PostgreSQL of the test's own, that may be killed."""
    running = Postgres(tmp_path_factory.mktemp("killed"), fsync=False)
    yield running
    running.stop()


# ---------------------------------------------------------------- PostgreSQL: lost connections


@pytest.mark.postgres
@pytest.mark.parametrize("fate", [REACHED, DID_NOT_REACH])
def test_a_connection_lost_exactly_in_commit_is_no_acknowledgement(
    postgres: Postgres, tmp_path: Path, start_server: Callable[..., ServerProcess], fate: str
) -> None:
    """Whether the database committed cannot be known then: the answer says so, and a resend settles it."""
    with Relay(postgres.migrated(), tmp_path) as relay:
        server = start_server(relay.url)
        register(server)
        assert post(server, batch(1, [3.0] * 10)).json()["stored"] == 10
        relay.fate = fate
        assert_says_later(post(server, batch(11, [3.1] * 10)))
        assert relay.cut == 1
        answer = until(lambda: _answered(post(server, batch(11, [3.1] * 10))))
        assert answer["acknowledged_through"] == 20
        assert (answer["stored"], answer["duplicates"]) == ((0, 10) if fate == REACHED else (10, 0))
        with server.client("admin") as http:
            assert http.get("/v1/account").json()["balances"]
        assert server.stop() == 0


def _answered(response: httpx.Response) -> dict[str, Any] | None:
    return response.json() if response.status_code == 200 else None


@pytest.mark.postgres
def test_a_database_that_stands_still_is_answered_for_in_time(
    postgres: Postgres, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cleanside.ingest.writer.under_way.ANSWER_WITHIN_S", 1.0)
    with Relay(postgres.migrated(), tmp_path) as relay, in_process(relay.url) as api:
        api.register()
        api.send(batch(1, [3.0]))
        relay.stand_still()
        began_s = time.monotonic()
        assert_says_later(api.post("/v1/readings", batch(2, [3.0]), key="device"))
        assert time.monotonic() - began_s < 20.0
        relay.go_on()
        again = until(lambda: _answered(api.post("/v1/readings", batch(2, [3.0]), key="device")))
        assert (again["stored"], again["duplicates"]) in ((1, 0), (0, 1))
        assert api.account()["balances"]


@pytest.mark.postgres
def test_a_killed_database_costs_no_reading_and_no_hands(
    own_postgres: Postgres, start_server: Callable[..., ServerProcess]
) -> None:
    """Its processes are killed while batches are in flight, it recovers from its log, the senders go on."""
    url = own_postgres.migrated()
    server = start_server(url)
    register(server)
    senders = [Sender(server, client) for client in range(4)]
    for sender in senders:
        sender.start()
    for share in (0.2, 0.5):
        wait_for(senders, int(3_000 * share))
        own_postgres.crash()
        own_postgres.start_again()
    for sender in senders:
        sender.join(90.0)
        assert not sender.is_alive()
    assert sum(sender.resent for sender in senders) > 0
    assert server.stop() == 0
    assert_all_there_once(url, senders)


@pytest.mark.postgres
def test_connections_ended_by_the_database_again_and_again_cost_no_reading(
    postgres: Postgres, start_server: Callable[..., ServerProcess]
) -> None:
    url = postgres.migrated()
    server = start_server(url)
    register(server)
    senders = [Sender(server, client, indexes=range(100)) for client in range(4)]
    for sender in senders:
        sender.start()
    ended = 0
    with opened(url) as engine:
        # Not for ever: with the next end sooner than a commit nothing gets on.
        while ended < MANY_ENDED and any(sender.is_alive() for sender in senders):
            with engine.connect() as connection:
                ended += len(connection.execute(sa.text(_END_OTHERS)).all())
            senders[0].join(0.1)
    for sender in senders:
        sender.join(PATIENCE_S)
    assert ended >= MANY_ENDED / 2  # quick senders may be done before
    assert server.stop() == 0
    assert_all_there_once(url, senders)


_END_OTHERS = (
    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
    "WHERE datname = current_database() AND pid <> pg_backend_pid()"
)


@pytest.mark.postgres
def test_a_stream_locked_by_others_holds_up_itself_and_no_other_for_long(
    postgres: Postgres, start_server: Callable[..., ServerProcess]
) -> None:
    url = postgres.migrated()
    server = start_server(url)
    register(server)
    for client in (0, 1):
        assert post(server, batch(1, [3.0], stream=stream_of(client))).status_code == 200
    with opened(url) as engine, engine.begin() as other:
        other.execute(sa.select(streams.c.id).where(streams.c.stream == stream_of(0)).with_for_update())
        answers: dict[int, httpx.Response] = {}

        def send(client: int) -> None:
            answers[client] = post(server, batch(2, [3.0], stream=stream_of(client)))

        threads = [threading.Thread(target=send, args=(client,)) for client in (0, 1)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(PATIENCE_S)
    assert_says_later(answers[0])
    assert answers[1].status_code == 200, answers[1].text
    assert until(lambda: _answered(post(server, batch(2, [3.0], stream=stream_of(0)))))["stored"] == 1


# ---------------------------------------------------------------- statements that take too long


def test_a_reading_statement_is_ended_after_its_time(database_url: str) -> None:
    """On PostgreSQL by statement_timeout, on SQLite by a progress handler; both are asked to come again."""
    endless = {
        "sqlite": "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) FROM n",
        "postgresql": "SELECT pg_sleep(60)",
    }
    engine = database.reading_engine(database_url)
    database.limit_reading(engine, 0.3)
    began_s = time.monotonic()

    def ask() -> None:
        with as_our_errors(), engine.connect() as connection:
            if engine.dialect.name == "postgresql":
                connection.execute(sa.text("SET statement_timeout = 300"))
            connection.execute(sa.text(endless[engine.dialect.name])).all()

    with pytest.raises(TryAgain):
        ask()
    assert time.monotonic() - began_s < 20.0
    with engine.connect() as connection:  # and the next one is served
        assert connection.scalar(sa.text("SELECT 1")) == 1
    engine.dispose()


def test_a_statement_that_ends_while_its_rows_are_fetched_is_told_to_come_again(
    sqlite_database_url: str,
) -> None:
    """Rows of `dialect.run` come from the driver itself: its error has none of SQLAlchemy's around it."""
    first_then_endless = (
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n WHERE i = 1"
    )
    engine = database.reading_engine(sqlite_database_url)
    database.limit_reading(engine, 0.0)
    with pytest.raises(TryAgain), as_our_errors(), engine.connect() as connection:
        dialect.run(connection, first_then_endless, ()).cursor.fetchall()
    engine.dispose()


def test_the_limits_are_those_of_every_serving_process(database_url: str) -> None:
    with in_process(database_url) as api, api.resources.reading() as connection:
        assert connection.scalar(sa.text("SELECT 1")) == 1  # a transaction begins with its first statement
        if connection.dialect.name == "sqlite":
            left_s = connection.info["until_s"] - time.monotonic()
            assert 0 < left_s <= database.STATEMENT_TIMEOUT_MS / 1000
            return
        shown = {
            name: connection.scalar(sa.text(f"SHOW {name}")) for name in ("statement_timeout", "lock_timeout")
        }
        assert shown == {"statement_timeout": "30s", "lock_timeout": "3s"}


# ---------------------------------------------------------------- disk full


def test_a_full_disk_is_said_and_nothing_of_it_is_acknowledged(server: ServerProcess) -> None:
    """
    The limit on file sizes stands in for a full disk: the same write fails, with SQLite's same error paths.

    It is set on the running process from outside, and lifted again, without a restart.
    """
    register(server)
    marks: list[int] = []
    first, refused = 1, 0
    size = Path(str(database.sqlite_path(server.database_url))).stat().st_size
    _, hard = resource.prlimit(server.pid, resource.RLIMIT_FSIZE)
    resource.prlimit(server.pid, resource.RLIMIT_FSIZE, (size + 300_000, hard))
    while refused < 5:
        response = post(server, batch(first, [3.0] * 500))
        if response.status_code == 200:
            marks.append(response.json()["acknowledged_through"])
            first += 500
            assert first < 1_000_000
        else:
            assert_says_later(response)
            refused += 1
    with server.client("planner") as http:
        assert http.get("/v1/machines").status_code == 200  # reading goes on
        state = http.get(f"/v1/streams/{batch(1, [1.0])['stream']}").json()
        assert state["acknowledged_through"] == max(marks, default=0)
    resource.prlimit(server.pid, resource.RLIMIT_FSIZE, (hard, hard))
    answer = until(lambda: _answered(post(server, batch(first, [3.0] * 500))))
    assert answer["acknowledged_through"] == first + 499
    assert (answer["stored"], answer["duplicates"]) == (500, 0)
    assert server.stop() == 0
    assert_balances(server.database_url, first + 499)


def assert_balances(url: str, stored: int) -> None:
    engine = database.reading_engine(url)
    with engine.connect() as connection:
        (found,) = account.accounts(connection)
        assert (found.stored, found.faults) == (stored, ())
    engine.dispose()


def test_a_database_file_at_its_limit_is_said(sqlite_database_url: str) -> None:
    """SQLITE_FULL itself, by a bound on the pages of the file."""
    values = np.random.default_rng(1).uniform(2.0, 6.0, 100).tolist()  # so many digits that few batches fit
    with in_process(sqlite_database_url) as api:
        api.register()

        def bound(connection: sa.Connection, *, more_pages: int) -> None:
            now = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            connection.exec_driver_sql(f"PRAGMA max_page_count={now + more_pages}")

        api.resources.writer.call(partial(bound, more_pages=0))
        first = 1
        while (said := api.post("/v1/readings", batch(first, values), key="device")).status_code == 200:
            first += 100
        assert (said.status_code, said.json()["code"]) == (503, "store_full")
        api.resources.writer.call(partial(bound, more_pages=100_000))
        assert api.send(batch(first, values))["stored"] == 100
        assert api.account()["balances"]


# ---------------------------------------------------------------- graceful stop


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_server_that_is_told_to_stop_answers_what_it_took_and_ends_well(
    server: ServerProcess, number: signal.Signals
) -> None:
    register(server)
    senders = [Sender(server, client) for client in range(4)]
    for sender in senders:
        sender.start()
    wait_for(senders, 500)
    os.kill(server.pid, number)
    assert server.wait() == 0
    server.start()
    for sender in senders:
        sender.join(90.0)
        assert not sender.is_alive()
    assert server.stop() == 0
    assert_all_there_once(server.database_url, senders)
