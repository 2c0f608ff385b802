"""Readiness tells the truth: a server that takes no reading says so, and says why."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import psycopg
import pytest
import sqlalchemy as sa

from cleanside.gateway.uplink.decision import LinkState, Sent, decide
from cleanside.gateway.uplink.transport import Reply
from cleanside.gateway.wire import datetime_of
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import trouble as store_trouble
from cleanside.ingest.store.models import write_probes
from cleanside.ingest.writer import readiness
from cleanside.ingest.writer.readiness import PROBE_EVERY_S, Readiness
from cleanside.ingest.writer.writer import TROUBLE_LASTS_S, Writer, as_our_errors
from tests.support.coded import refused, sentence
from tests.support.databases import opened
from tests.support.serving import STREAM, Api, batch, commits_of, in_process


class Steps:
    """A monotonic clock that stands far from the commits of the test until it is moved."""

    def __init__(self, writer: Writer) -> None:
        self._writer, self._ahead_s = writer, 0.0

    def __call__(self) -> float:
        return max(self._writer.committed_s, self._writer.trouble[1], 0.0) + self._ahead_s

    def advance(self, seconds: float) -> None:
        self._ahead_s += seconds


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running
        read_only(running, "OFF")  # so that what is left to write at the end can be


def read_only(api: Api, switch: str) -> None:
    """The one connection that writes may not, or may again; SQLITE_READONLY is what it raises."""
    held = api.resources.writer._engine.raw_connection()
    held.cursor().execute(f"PRAGMA query_only={switch}")
    held.close()


def bound(connection: sa.Connection, *, more_pages: int) -> None:
    now = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    connection.exec_driver_sql(f"PRAGMA max_page_count={now + more_pages}")


def readings_until_refused(api: Api) -> str:
    first = 1
    while (said := api.post("/v1/readings", batch(first, [3.0] * 500), key="device")).status_code == 200:
        first += 500
    code: str = said.json()["code"]
    return code


def said_by(api: Api) -> tuple[int, str]:
    answer = api.get("/readyz", key=None)
    document = answer.json()
    return answer.status_code, document.get("code", document.get("status"))


def test_a_full_disk_is_not_ready_and_says_so(api: Api) -> None:
    """Found in a trial: ready, while every post got 503."""
    assert said_by(api) == (200, "ready")
    api.resources.writer.call(partial(bound, more_pages=2))
    assert readings_until_refused(api) == "store_full"
    assert said_by(api) == (503, "store_full")
    api.resources.writer.call(partial(bound, more_pages=100_000))
    api.send(batch(100_001, [3.0]))
    assert said_by(api) == (200, "ready")


def test_a_store_is_back_once_it_took_readings_not_at_a_commit_that_writes_nothing(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    """Found in a trial: `store_back` 5 ms after `store_full`, while the disk stayed full and /readyz 503."""
    writer = api.resources.writer
    writer.call(partial(bound, more_pages=2))
    assert readings_until_refused(api) == "store_full"
    writer.call(lambda connection: connection.scalar(sa.text("SELECT 1")))
    assert said_by(api) == (503, "store_full")
    [said] = {r.__dict__["reason"] for r in caplog.records if r.getMessage() == "ingest.store_full"}
    assert said == "database or disk is full", "SQLite's words alone (sqlite.org/rescode.html, SQLITE_FULL)"
    assert "ingest.store_back" not in caplog.messages
    writer.call(partial(bound, more_pages=100_000))
    api.send(batch(100_001, [3.0]))
    assert caplog.messages.count("ingest.store_back") == 1


def test_a_store_that_nobody_sends_readings_is_back_when_the_trouble_is_long_ago(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    writer = api.resources.writer
    writer.call(partial(bound, more_pages=2))
    readings_until_refused(api)
    trouble, at_s = writer.trouble
    writer.trouble = (trouble, at_s - TROUBLE_LASTS_S)
    writer.call(partial(bound, more_pages=100_000))
    assert caplog.messages.count("ingest.store_back") == 1


def test_a_store_that_can_only_be_read_is_not_ready_and_says_so(
    api: Api, caplog: pytest.LogCaptureFixture
) -> None:
    read_only(api, "ON")
    assert readings_until_refused(api) == "store_read_only"
    assert said_by(api) == (503, "store_read_only")
    said = sentence("not_ready", event="ingest.store_read_only")  # not the sentence for gateways
    assert api.get("/readyz", key=None).json()["detail"] == said
    assert "ingest.store_back" not in caplog.messages
    read_only(api, "OFF")
    api.send(batch(1, [3.0]))
    assert said_by(api) == (200, "ready")
    assert caplog.messages.count("ingest.store_back") == 1


def test_a_missing_table_is_no_fault_of_the_server() -> None:
    """An empty database in the place of the one that was checked: gateways keep their readings."""
    missing = sa.exc.ProgrammingError("", None, psycopg.errors.UndefinedTable("no relation"))
    with refused(TryAgain, "store_unavailable") as raised, as_our_errors():
        raise missing
    assert "no relation" in raised.value.reason
    with pytest.raises(sa.exc.ProgrammingError), as_our_errors():
        raise sa.exc.ProgrammingError("", None, psycopg.errors.SyntaxError("at or near"))


def test_a_server_that_is_posted_nothing_finds_out_by_a_probe(api: Api) -> None:
    writer = api.resources.writer
    clock = Steps(writer)
    ready = Readiness(writer, monotonic_s=clock)
    ready.check()
    read_only(api, "ON")
    ready.check()  # the commit a moment ago is proof enough
    clock.advance(PROBE_EVERY_S + 1)
    with pytest.raises(TryAgain) as raised:
        ready.check()
    assert raised.value.code == "store_read_only"


def test_asking_again_and_again_writes_one_probe_and_keeps_one(api: Api) -> None:
    writer = api.resources.writer
    clock = Steps(writer)
    ready = Readiness(writer, monotonic_s=lambda: clock() + 0.0)
    commits = commits_of(writer)
    for _ in range(20):
        ready.check()
    assert commits == [1]  # after a start
    commits.clear()
    clock.advance(PROBE_EVERY_S + 1)
    for _ in range(3):
        ready.check()
    assert commits == [1]
    with api.resources.reading() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(write_probes)) == 1


def test_a_probe_that_succeeds_says_nothing_against_a_batch_that_was_just_refused(api: Api) -> None:
    """A small write fits where a large one does not: the batch is what counts, for a while."""
    writer = api.resources.writer
    writer.trouble = (TryAgain("full", code="store_full"), 0.0)
    clock = Steps(writer)
    moved = writer.committed_s
    writer.trouble = (writer.trouble[0], moved)
    ready = Readiness(writer, monotonic_s=clock)
    clock.advance(TROUBLE_LASTS_S - 1)
    with pytest.raises(TryAgain) as raised:
        ready.check()
    assert raised.value.code == "store_full"
    clock.advance(2)
    ready.check()


def test_a_writer_that_stands_still_is_not_ready(
    sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readiness, "PROBE_WITHIN_S", 0.05)
    held, let_go = threading.Event(), threading.Event()

    def hold(_: sa.Connection) -> None:
        held.set()
        let_go.wait(30.0)

    with opened(sqlite_database_url) as engine:
        writer = Writer(engine)
        writer.start()
        writer.submit(hold)
        assert held.wait(30.0)
        with pytest.raises(TryAgain) as raised:
            Readiness(writer).check()
        assert raised.value.code == "store_unavailable"
        let_go.set()
        writer.stop()


@pytest.mark.parametrize(
    ("state", "code"), [("53100", "store_full"), ("25006", "store_read_only"), ("08006", "store_unavailable")]
)
def test_what_postgresql_says_is_told_by_its_code(state: str, code: str) -> None:
    """PostgreSQL documentation, appendix A: disk_full, read_only_sql_transaction, connection_failure."""

    class Driver(Exception):
        sqlstate = state

    assert store_trouble.code_of(Driver()) == code


@pytest.mark.parametrize(
    "code", ["standby_away", "store_full", "store_read_only", "store_unavailable", "overloaded"]
)
def test_a_gateway_passes_the_servers_word_on(api: Api, code: str) -> None:
    """Found in a trial: gateways reported "server is busy"."""
    api.resources.writer.trouble = (TryAgain("as the test says", code=code), float("inf"))
    answer = api.get("/readyz", key=None)
    reply = Reply(status=503, headers=dict(answer.headers), body=answer.content)
    sent = Sent(stream=STREAM, count=1, first=1, last=1)
    decision = decide(LinkState(), sent, reply, jitter=0.0, now=datetime_of(0))
    assert f"({code})" in decision.reason
    busy = code == "overloaded"
    assert decision.event == ("gateway.server_busy" if busy else "gateway.server_cannot_store")


def test_where_no_thread_is_free_it_still_says_that_it_lives_and_is_ready(api: Api) -> None:
    """A monitor that hears nothing would restart a server that only waits."""
    with ThreadPoolExecutor(1) as asker, api.threads_held():
        waits = asker.submit(api.get, "/v1/fleet")
        assert api.get("/healthz", key=None).json() == {"status": "alive"}
        assert said_by(api) == (200, "ready")
        assert not waits.done()
    assert waits.result().status_code == 200
