"""The writer: results after the commit, one bad job alone, bounded queue."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.store import database
from cleanside.ingest.store.models import owners
from cleanside.ingest.writer import lanes, under_way
from cleanside.ingest.writer.writer import CONTENDED_TRIES, Writer
from tests.support.databases import Postgres, opened
from tests.support.serving import commits_of


@pytest.fixture
def writer(database_url: str) -> Iterator[Writer]:
    with opened(database_url) as engine:
        running = Writer(engine, max_waiting=8)
        running.start()
        yield running
        running.stop()


def add(name: str) -> Any:
    def job(connection: sa.Connection) -> str:
        connection.execute(sa.insert(owners).values(name=name, created_us=0))
        return name

    return job


def names(url: str) -> set[str]:
    engine = database.reading_engine(url)
    with engine.connect() as connection:
        found = set(connection.scalars(sa.select(owners.c.name)))
    engine.dispose()
    return found


class Gate:
    """Holds the writer inside a job, so that others wait together behind it."""

    def __init__(self, writer: Writer) -> None:
        self._open = threading.Event()
        entered = threading.Event()

        def job(_: sa.Connection) -> None:
            entered.set()
            assert self._open.wait(10.0)

        self.done = writer.submit(job)
        assert entered.wait(10.0)

    def open(self) -> None:
        self._open.set()


def test_a_result_is_given_after_its_commit(writer: Writer, database_url: str) -> None:
    assert writer.call(add("one")) == "one"
    assert names(database_url) == {"one"}


def test_jobs_that_wait_together_are_committed_together(writer: Writer) -> None:
    gate = Gate(writer)
    waiting = [writer.submit(add(f"owner-{n}")) for n in range(5)]
    commits = commits_of(writer)
    gate.open()
    assert [job.result(10.0) for job in waiting] == [f"owner-{n}" for n in range(5)]
    assert commits == [1, 5]  # the gate's, and one for all five


def test_one_bad_job_never_fails_the_others_of_its_commit(writer: Writer, database_url: str) -> None:
    def breaks(connection: sa.Connection) -> None:
        add("half done")(connection)
        raise ZeroDivisionError

    def clashes(connection: sa.Connection) -> None:
        add("good-0")(connection)

    gate = Gate(writer)
    good = [writer.submit(add("good-0")), writer.submit(add("good-1"))]
    bad: list[Future[Any]] = [writer.submit(breaks), writer.submit(clashes)]
    good.append(writer.submit(add("good-2")))
    gate.open()
    assert [job.result(10.0) for job in good] == ["good-0", "good-1", "good-2"]
    with pytest.raises(ZeroDivisionError):
        bad[0].result(10.0)
    with pytest.raises(sa.exc.IntegrityError):
        bad[1].result(10.0)
    assert names(database_url) == {"good-0", "good-1", "good-2"}


@pytest.mark.postgres
def test_processes_that_waited_for_each_other_both_get_through(postgres: Postgres) -> None:
    """A real deadlock on PostgreSQL (SQLSTATE 40P01): the transaction taken back is run again, job by job."""
    url = postgres.migrated()
    with opened(url) as one, opened(url) as other:
        first, second = Writer(one), Writer(other)
        for running in (first, second):
            running.start()
        first.call(lambda c: [add(name)(c) for name in ("a", "b")])
        locked = threading.Barrier(2)

        def touch(name: str, *, meet: bool) -> Any:
            meetings = iter([True])  # only the first time: alone, no request has to wait for another

            def job(connection: sa.Connection) -> None:
                here = sa.update(owners).where(owners.c.name == name)
                connection.execute(here.values(created_us=owners.c.created_us + 1))
                if meet and next(meetings, False):
                    locked.wait(10.0)

            return job

        gates = [Gate(first), Gate(second)]
        jobs = [first.submit(touch("a", meet=True)), first.submit(touch("b", meet=False))]
        jobs += [second.submit(touch("b", meet=True)), second.submit(touch("a", meet=False))]
        for gate in gates:
            gate.open()
        assert [job.result(30.0) for job in jobs] == [None] * 4
        first.stop()
        second.stop()
    engine = database.reading_engine(url)
    with engine.connect() as connection:
        assert set(connection.scalars(sa.select(owners.c.created_us))) == {2}
    engine.dispose()


class Contended(Exception):
    """What a driver raises when the database took a transaction back for another's sake."""

    sqlstate = "40P01"


@pytest.mark.parametrize(("failures", "gets_through"), [(1, True), (CONTENDED_TRIES - 1, True), (99, False)])
def test_a_job_alone_that_stands_in_anothers_way_is_run_again_a_few_times(
    writer: Writer, failures: int, gets_through: bool
) -> None:
    left = iter(range(failures))

    def job(connection: sa.Connection) -> str:
        if next(left, None) is not None:
            raise Contended
        return str(add("late")(connection))

    done = writer.submit(job)
    if gets_through:
        assert done.result(10.0) == "late"
    else:
        with pytest.raises(TryAgain) as refused:
            done.result(10.0)
        assert refused.value.case == "streams_contended"


def a_refusal() -> Refused:
    return Refused("stream_bound", status=409, stream="s", device="d")


def test_a_refusal_is_an_outcome_and_leaves_the_commit_whole(writer: Writer, database_url: str) -> None:
    def refuses(_: sa.Connection) -> None:
        raise a_refusal()

    gate = Gate(writer)
    refused, kept = writer.submit(refuses), writer.submit(add("kept"))
    gate.open()
    with pytest.raises(Refused):
        refused.result(10.0)
    assert kept.result(10.0) == "kept"
    assert names(database_url) == {"kept"}


def test_items_of_one_kind_that_wait_are_handed_over_together_in_order(writer: Writer) -> None:
    together: list[list[int]] = []

    def work(_: sa.Connection, items: Sequence[int]) -> list[int | Refused]:
        together.append(list(items))
        return [a_refusal() if item == 3 else item * 10 for item in items]

    async def post_all() -> list[Any]:
        gate = Gate(writer)
        waiting = [writer.post(work, item, order_key=str(item)) for item in (2, 1, 4, 3)]
        waiting[2].cancel()
        gate.open()
        return await asyncio.gather(*waiting, return_exceptions=True)

    second, first, gone, refused = asyncio.run(post_all())
    assert (first, second) == (10, 20)
    assert isinstance(gone, asyncio.CancelledError)
    assert isinstance(refused, Refused)
    assert together == [[1, 2, 3]]


def test_what_a_busy_loop_hands_in_turn_after_turn_shares_a_commit(writer: Writer) -> None:
    def work(_: sa.Connection, items: Sequence[int]) -> list[int]:
        return list(items)

    async def post_all() -> list[int]:
        waiting = []
        for turn in range(4):
            waiting += [writer.post(work, 2 * turn + n, order_key="", readings=500) for n in range(2)]
            await asyncio.sleep(0)
        return await asyncio.gather(*waiting)

    commits = commits_of(writer)
    assert asyncio.run(post_all()) == [*range(8)]
    assert commits == [8]


def test_a_live_reading_does_not_wait_until_all_bulk_is_handed_in(
    writer: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loop hands in a backlog turn after turn, and no bound makes it a commit."""
    for bound in ("MAX_TOGETHER", "MAX_TOGETHER_READINGS", "MAX_BULK_READINGS"):
        monkeypatch.setattr(lanes, bound, 10**9)
    writer._lanes = lanes.Lanes(max_jobs=10**9)

    def work(_: sa.Connection, items: Sequence[str]) -> list[str]:
        return list(items)

    async def post_all() -> None:
        until_s = time.monotonic() + 5.0
        bulk = [writer.post(work, "bulk", order_key="", readings=100)]
        live = writer.post(work, "live", order_key="", readings=1)
        while not live.done():
            assert time.monotonic() < until_s, "it waits for bulk that is yet to come"
            bulk.append(writer.post(work, "bulk", order_key="", readings=100))
            await asyncio.sleep(0)
        await asyncio.gather(*bulk)

    asyncio.run(post_all())


def test_a_thread_does_not_wait_for_a_loop_that_hands_in(writer: Writer) -> None:
    """The loop of a server that stops waits for such a thread itself."""

    def work(_: sa.Connection, items: Sequence[int]) -> list[int]:
        return list(items)

    async def post_and_block() -> int:
        waiting = writer.post(work, 7, order_key="", readings=500)
        assert writer.submit(add("at once")).result(10.0) == "at once"
        return int(await waiting)

    assert asyncio.run(post_and_block()) == 7


def test_a_full_queue_is_refused_at_once(writer: Writer) -> None:
    gate = Gate(writer)
    waiting = [writer.submit(add(f"owner-{n}")) for n in range(8)]
    with pytest.raises(TryAgain) as refused:
        writer.submit(add("too many"))
    assert (refused.value.case, refused.value.values) == ("requests_wait", {"waiting": 8})
    gate.open()
    assert all(job.result(10.0) for job in waiting)


def test_live_readings_go_before_a_backlog_and_both_have_their_own_room(writer: Writer) -> None:
    order: list[str] = []

    def work(_: sa.Connection, items: Sequence[str]) -> list[str]:
        order.extend(items)
        return list(items)

    async def post_all() -> None:
        gate = Gate(writer)
        jobs = [writer.post(work, f"b{n}", order_key=f"b{n}", readings=5_000) for n in range(8)]
        with pytest.raises(TryAgain) as refused:
            writer.post(work, "too much", order_key="", readings=5_000)
        with pytest.raises(TryAgain):
            writer.require_room()
        assert refused.value.retry_after_s >= 2
        jobs += [writer.post(work, f"a{n}", order_key=f"a{n}", readings=1) for n in range(8)]
        gate.open()
        await asyncio.gather(*jobs)

    asyncio.run(post_all())
    assert order[:8] == [f"a{n}" for n in range(8)]
    assert order[8:] == [f"b{n}" for n in range(8)]


def test_a_job_whose_client_has_gone_is_left_out(writer: Writer, database_url: str) -> None:
    gate = Gate(writer)
    gone, stays = writer.submit(add("gone")), writer.submit(add("stays"))
    assert gone.cancel()
    gate.open()
    assert stays.result(10.0) == "stays"
    assert names(database_url) == {"stays"}


def test_what_waits_is_finished_before_the_end(writer: Writer, database_url: str) -> None:
    gate = Gate(writer)
    waiting = writer.submit(add("last"))
    gate.open()
    writer.stop()
    assert waiting.result(0) == "last"
    assert names(database_url) == {"last"}
    with pytest.raises(TryAgain) as refused:
        writer.submit(add("late"))
    assert refused.value.case == "writer_stopping"


def test_what_holds_up_the_end_is_left_and_nobody_waits_for_it(
    writer: Writer, database_url: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(under_way, "END_WAITS_S", 0.05)
    gate = Gate(writer)
    with ThreadPoolExecutor(1) as beside:
        patient = beside.submit(writer.call_patiently, add("never begun"))
        writer.stop()
        with pytest.raises(TryAgain):
            patient.result(10.0)
    assert "ingest.commit_left" in caplog.messages
    assert not gate.done.done()
    gate.open()  # in a process that stays; else the database ends it
    gate.done.result(10.0)
    writer.stop()
    assert names(database_url) == set()


def test_a_database_that_is_away_is_said_to_be_unavailable(tmp_path: Any) -> None:
    url = f"sqlite:///{tmp_path / 'empty.db'}"
    with opened(url) as engine:
        running = Writer(engine)
        running.start()
        with pytest.raises(TryAgain) as refused:
            running.call(add("no table is there"))
        running.stop()
    assert refused.value.code == "store_unavailable"


def test_a_request_whose_job_has_not_begun_in_time_is_told_and_its_job_dropped(
    writer: Writer, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(under_way, "ANSWER_WITHIN_S", 0.05)
    gate = Gate(writer)
    with pytest.raises(TryAgain) as refused:
        writer.call(add("late"))
    assert (refused.value.case, refused.value.code) == ("not_stored_in_time", "store_unavailable")
    gate.open()
    assert writer.call_patiently(add("next")) == "next"
    assert names(database_url) == {"next"}


def test_a_job_that_has_begun_is_waited_for(
    writer: Writer, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it does is not known until it has ended; a large one of a person takes its time."""
    monkeypatch.setattr(under_way, "ANSWER_WITHIN_S", 0.05)

    def slow(connection: sa.Connection) -> str:
        time.sleep(0.2)
        return str(add("slow")(connection))

    assert writer.call(slow) == "slow"
    assert names(database_url) == {"slow"}


def test_nobody_waits_for_a_transaction_that_stands_still_and_its_end_ends_that(
    writer: Writer, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(under_way, "WORK_STANDS_AFTER_S", 0.05)
    gate = Gate(writer)
    time.sleep(0.1)
    began_s = time.monotonic()
    for refusing in (lambda: writer.call(add("late")), lambda: writer.result(gate.done)):
        with pytest.raises(TryAgain) as refused:
            refusing()
        assert refused.value.case == "not_stored_in_time"
    assert writer.waiting == 0, "what would wait was not even handed in"
    assert time.monotonic() - began_s < under_way.ANSWER_WITHIN_S
    gate.open()
    gate.done.result(10.0)
    assert writer.call(add("next")) == "next"
    assert names(database_url) == {"next"}
