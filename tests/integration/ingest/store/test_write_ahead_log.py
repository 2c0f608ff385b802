"""
SQLite's log stays short though somebody always reads (sqlite.org/wal.html: a checkpoint starves where there
is always a reader).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import database
from cleanside.ingest.store.write_ahead_log import AGAIN_S, WAIT_MS, WriteAheadLog
from cleanside.ingest.writer.writer import Writer

MOST = 1_000_000  # bytes
COMMITS = 600  # of 4 kB and some pages of index: twice as much as may stay


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path}/ingest.db"


@pytest.fixture
def writing(url: str) -> Iterator[sa.Engine]:
    engine = database.writing_engine(url)
    with engine.begin() as connection:
        connection.execute(sa.text("CREATE TABLE notes (number INTEGER PRIMARY KEY, text TEXT)"))
    yield engine
    engine.dispose()


def write(engine: sa.Engine, number: int) -> None:
    with engine.begin() as connection:
        line = {"number": number % 50, "text": f"{number:04d}" * 1000}
        connection.execute(sa.text("INSERT OR REPLACE INTO notes VALUES (:number, :text)"), line)


@contextmanager
def always_read(reading: sa.Engine) -> Iterator[None]:
    """Two threads read for some milliseconds, over and over: hardly a moment is without a reader."""
    ends = threading.Event()

    def read() -> None:
        while not ends.is_set():
            with reading.connect() as connection:
                connection.execute(sa.text("SELECT count(*) FROM notes")).scalar()
                ends.wait(0.003)

    threads = [threading.Thread(target=read) for _ in range(4)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        ends.set()
        for thread in threads:
            thread.join()


def test_a_log_stays_short_where_somebody_always_reads(url: str, writing: sa.Engine) -> None:
    reading, now = database.reading_engine(url), [0.0]
    log = WriteAheadLog(writing, lambda: now[0], most_bytes=MOST)
    kept, cuts = [], 0
    with always_read(reading):
        for number in range(COMMITS):
            write(writing, number)
            now[0] += AGAIN_S
            before = log.length
            log.keep_short()
            cuts += log.length == 0 < before
            kept.append(log.length)
    reading.dispose()
    assert cuts >= 1
    assert max(kept) <= 2 * MOST  # a try may come while one of them reads on


def test_a_log_that_is_too_long_is_cut_once_those_who_read_it_let_go(url: str, writing: sa.Engine) -> None:
    reading = database.reading_engine(url)
    log = WriteAheadLog(writing, time.monotonic, most_bytes=MOST)
    with reading.connect() as reader:
        reader.execute(sa.text("SELECT count(*) FROM notes")).scalar()
        number = 0
        while log.length <= MOST:
            write(writing, number := number + 1)
        reader.rollback()
        log.keep_short()
    assert log.length == 0
    with reading.connect() as reader:
        text = reader.execute(
            sa.text("SELECT text FROM notes WHERE number = :n"), {"n": number % 50}
        ).scalar()
    assert text == f"{number:04d}" * 1000
    reading.dispose()


def test_who_reads_for_long_holds_a_commit_up_once_and_for_a_moment(url: str, writing: sa.Engine) -> None:
    reading, now = database.reading_engine(url), [100.0]
    log = WriteAheadLog(writing, lambda: now[0], most_bytes=MOST)
    with reading.connect() as reader:
        assert reader.execute(sa.text("SELECT count(*) FROM notes")).scalar() == 0
        for number in range(COMMITS):
            write(writing, number)
        waits = []
        for step_s in (0.0, AGAIN_S / 2, AGAIN_S):
            now[0] += step_s
            began_s = time.perf_counter()
            log.keep_short()
            waits.append(time.perf_counter() - began_s >= WAIT_MS / 2000)
        assert (waits, log.length > MOST) == ([True, False, True], True)
        # It reads what there was when it began, and writing goes on.
        assert reader.execute(sa.text("SELECT count(*) FROM notes")).scalar() == 0
    with writing.connect() as connection:
        assert connection.execute(sa.text("PRAGMA busy_timeout")).scalar() == database.BUSY_TIMEOUT_MS
    reading.dispose()


def test_the_log_is_cut_beside_a_writer(url: str, writing: sa.Engine) -> None:
    reading = database.reading_engine(url)
    with reading.connect() as reader:
        reader.execute(sa.text("SELECT count(*) FROM notes")).scalar()
        for number in range(COMMITS):
            write(writing, number)
    log = WriteAheadLog(writing, time.monotonic, most_bytes=MOST)
    assert log.length > 2 * MOST
    writer = Writer(writing)
    writer.start()
    log.keep_short()
    assert log.length == 0
    writer.call(lambda connection: connection.execute(sa.text("DELETE FROM notes WHERE number = 1")))
    writer.stop()
    reading.dispose()
