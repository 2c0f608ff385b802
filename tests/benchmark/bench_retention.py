"""
What it costs to keep readings for a while only: one table with batched deletes beside partitions by month.

    python -m tests.benchmark.bench_retention [--rows 12000000] [--months 12] [--streams 400] [--pairs 7]

Both tables hold the same rows in a PostgreSQL of its own (fsync on). Measured: keyed binary COPY of new
batches of 500, one durable commit each, in turns into either; then the oldest month is taken out of both,
by deletes of one stream and ten thousand rows a commit with a VACUUM after them, and by dropping the
partition: seconds, bytes of write-ahead log, and the slowest of the commits that were made beside it.
Data: numbers from a fixed rule (no recording is needed to see what a delete costs).
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import psycopg

from tests.support.databases import Postgres

MONTH_US = 30 * 86_400 * 1_000_000
BATCH_ROWS = 500
DELETE_ROWS = 10_000
FIELDS = "stream_id, seq, at_us, unit_set_id, content_hash, received_us, restriction_pa, engine_speed_rad_s"
TYPES = ["int8"] * 6 + ["float8"] * 2


def build(connection: Any, *, rows: int, months: int, streams: int) -> None:
    """Make `plain` and `parted` with the same rows, `months` months of `streams` streams."""
    each = rows // months // streams
    connection.execute("CREATE TABLE plain (LIKE readings INCLUDING DEFAULTS, PRIMARY KEY (stream_id, seq))")
    connection.execute("CREATE TABLE parted (LIKE readings INCLUDING DEFAULTS) PARTITION BY RANGE (at_us)")
    for month in range(months + 1):
        bounds = f"FOR VALUES FROM ({month * MONTH_US}) TO ({(month + 1) * MONTH_US})"
        connection.execute(f"CREATE TABLE part_{month} PARTITION OF parted {bounds}")
        connection.execute(f"ALTER TABLE part_{month} ADD PRIMARY KEY (stream_id, seq)")
    for table in ("plain", "parted"):
        for month in range(months):
            connection.execute(
                f"INSERT INTO {table} ({FIELDS}) SELECT s, {month * each} + n, "
                f"{month * MONTH_US}::bigint + n * {MONTH_US // (each + 1)}::bigint, 1, n * 7919 + s, 0, "
                f"1000 + n % 700, n % 190 FROM generate_series(1, {each}) n, generate_series(1, {streams}) s"
            )
        connection.execute(f"VACUUM ANALYZE {table}")
    connection.execute("CHECKPOINT")


def copy_batches(
    connection: Any, table: str, *, first: int, batches: int, streams: int, at_us: int
) -> list[float]:
    """Seconds of each commit of a batch of new numbers."""
    took = []
    sql = f"COPY {table} ({FIELDS}) FROM STDIN (FORMAT BINARY)"
    for batch in range(batches):
        stream, start = batch % streams + 1, first + batch // streams * BATCH_ROWS
        began = time.perf_counter()
        with connection.transaction(), connection.cursor() as cursor, cursor.copy(sql) as copy:
            copy.set_types(TYPES)
            for n in range(start, start + BATCH_ROWS):
                copy.write_row((stream, n, at_us + n, 1, n * 7919, 0, 1000.0 + n % 700, float(n % 190)))
        took.append(time.perf_counter() - began)
    return took


def delete_month(connection: Any, month: int, *, each: int, streams: int) -> None:
    """A month out of `plain`: one stream and at most `DELETE_ROWS` a commit, then a VACUUM."""
    for stream in range(1, streams + 1):
        for first in range(month * each + 1, (month + 1) * each + 1, DELETE_ROWS):
            last = min((month + 1) * each, first + DELETE_ROWS - 1)
            connection.execute(
                "DELETE FROM plain WHERE stream_id = %s AND seq BETWEEN %s AND %s", (stream, first, last)
            )
    connection.execute("VACUUM plain")


def removed(url: str, table: str, remove: Callable[[Any, int], None], **more: Any) -> dict[str, float]:
    """Take a month out alone, for its time and log, and the next while batches go in beside it."""
    begun, stop = threading.Event(), threading.Event()
    commits: list[float] = []

    def keep_writing() -> None:
        with psycopg.connect(url, autocommit=True) as other:
            first = 10**9
            while not stop.is_set():
                commits.extend(copy_batches(other, table, first=first, batches=20, **more))
                first += 20 * BATCH_ROWS
                begun.set()

    writer = threading.Thread(target=keep_writing)
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("CHECKPOINT")
        before = _wal(connection)
        began = time.perf_counter()
        remove(connection, 0)
        alone_s = time.perf_counter() - began
        wal = _wal(connection) - before
        writer.start()
        begun.wait(60.0)
        remove(connection, 1)
        stop.set()
        writer.join()
    return {"seconds": alone_s, "log_mb": wal / 1e6, "slowest_commit_beside_ms": 1000 * max(commits)}


def _wal(connection: Any) -> int:
    return int(connection.execute("SELECT pg_current_wal_lsn() - '0/0'").fetchone()[0])


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Retention: batched deletes beside dropped partitions.")
    parser.add_argument("--rows", type=int, default=12_000_000)
    parser.add_argument("--months", type=int, default=12)
    parser.add_argument("--streams", type=int, default=400)
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--batches", type=int, default=200, help="batches of 500 in each half of a pair")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        server = Postgres(Path(folder) / "postgres")
        try:
            _measure(server.migrated(), given)
        finally:
            server.stop()


def _measure(url: str, given: argparse.Namespace) -> None:
    each = given.rows // given.months // given.streams
    ratios = []
    with psycopg.connect(url, autocommit=True) as connection:
        began = time.perf_counter()
        build(connection, rows=given.rows, months=given.months, streams=given.streams)
        print(f"{2 * given.rows} rows loaded in {time.perf_counter() - began:.0f} s", flush=True)
        where = {"streams": given.streams, "at_us": given.months * MONTH_US}
        for pair in range(given.pairs):
            first = 10**7 + pair * 10**6
            order = ("plain", "parted") if pair % 2 == 0 else ("parted", "plain")
            took = {
                table: sum(copy_batches(connection, table, first=first, batches=given.batches, **where))
                for table in order
            }
            ratios.append(took["plain"] / took["parted"])
            rates = {t: f"{given.batches * BATCH_ROWS / s:,.0f}" for t, s in took.items()}
            print(f"  pair {pair + 1}: {rates} rows/s", flush=True)
        for table in ("plain", "parted"):
            size = connection.execute(
                "SELECT sum(pg_indexes_size(oid)) / 1e6, sum(pg_total_relation_size(oid)) / 1e6 "
                "FROM pg_class WHERE relname LIKE %s AND relkind = 'r'",
                ("plain" if table == "plain" else "part\\_%",),
            ).fetchone()
            assert size is not None
            print(f"  {table}: index {size[0]:.0f} MB, in all {size[1]:.0f} MB", flush=True)
    ratios.sort()
    print(
        f"insert, partitioned against plain: {statistics.median(ratios):.2f} "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f}) over {given.pairs} pairs"
    )
    print(f"the oldest of {given.months} months, {each * given.streams} rows, out of")
    for table, remove in (
        ("plain", lambda c, month: delete_month(c, month, each=each, streams=given.streams)),
        ("parted", lambda c, month: c.execute(f"DROP TABLE part_{month}")),
    ):
        found = removed(url, table, remove, **where)
        print(f"  {table}: " + ", ".join(f"{name} {value:,.2f}" for name, value in found.items()), flush=True)


if __name__ == "__main__":
    main()
