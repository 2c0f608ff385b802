"""
What it costs to take readings in when there are fifty million already, beside an empty table.

    python -m tests.benchmark.bench_large [postgres|sqlite] [--rows 50000000] [--streams 1000] [--pairs 7]

Two databases of one kind, two servers. Both know the same streams with the same marks; the large one has
their readings of the past year (by month on PostgreSQL, fsync on), the empty one has none. The same batches,
a different stream each, go to both in turns, answered after their durable commit. Goal: at most 1.1 times
the time of the empty one. Needs 15 bytes of disk a reading in blocks, 200 in rows, in a temporary folder.

Data: what is there already follows a fixed rule; what comes in is the recording "gravel shift" of
bench_ingest.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.store import dialect, fleet, partitions
from cleanside.ingest.store.at_rest import FloatArray, IntArray
from cleanside.ingest.store.blocks import TARGET
from cleanside.ingest.store.models import streams as streams_table
from tests.benchmark.bench_ingest import BATCH_ROWS, CLIENTS, SEED, UNITS, client_of, recording
from tests.support import filling
from tests.support.databases import FORMS, Postgres, choose_form, migrate, opened
from tests.support.serving import ServerProcess, make_keys

YEAR_US = 365 * 86_400 * 1_000_000


def stream_of(number: int) -> str:
    """The name of a stream."""
    return f"019abc00-7e1a-7c3e-8f03-{number:012d}"


def make_streams(url: str, *, streams: int, each: int, now_us: int) -> dict[str, str]:
    """Devices and their streams, marked as if `each` readings of every one had come. Gives the keys."""
    devices = [f"large-{number}" for number in range(1, streams + 1)]
    tokens = make_keys(url, devices)
    with opened(url) as engine, engine.begin() as connection:
        owner_id = fleet.keep_owner(connection, "plateau", 0)
        rows = []
        for number, name in enumerate(devices, start=1):
            device = fleet.keep_device(connection, owner_id, name)
            fleet.register(connection, device, 1, None)
            row = {"owner_id": owner_id, "device_id": device.id, "stream": stream_of(number)}
            rows.append(row | {"mark": each, "highest": each, "first_heard_us": 1, "last_heard_us": now_us})
        connection.execute(sa.insert(streams_table), rows)
    return tokens


def load(url: str, *, streams: int, each: int, now_us: int) -> None:
    """Fill the store with the year before `now_us`, in the form that the database has, all of it analysed."""
    with opened(url) as engine:
        with engine.begin() as connection:
            if not dialect.is_sqlite(connection):
                for days in range(0, 366, 28):
                    partitions.make_ahead(connection, now_us - YEAR_US + days * 86_400_000_000)
        for stream_id in range(1, streams + 1):
            with engine.begin() as connection:
                for first in range(1, each + 1, TARGET):
                    numbers = np.arange(first, min(first + TARGET, each + 1))
                    at_us = now_us - YEAR_US + numbers * (YEAR_US // (each + 1))
                    filling.put(connection, stream_id, numbers, at_us, made(numbers))
        with engine.begin() as connection:
            if not dialect.is_sqlite(connection):
                connection.execute(sa.text("SET LOCAL statement_timeout = 0"))  # it is millions of hours
            connection.execute(sa.text("UPDATE hours SET analysed_revision = revision"))
        if engine.dialect.name != "sqlite":
            with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                connection.execute(sa.text("SET statement_timeout = 0"))
                connection.execute(sa.text("VACUUM ANALYZE"))
                connection.execute(sa.text("CHECKPOINT"))


def made(numbers: IntArray) -> dict[str, FloatArray]:
    """Values by a fixed rule."""
    return {
        "restriction_pa": 1000.0 + numbers % 60 * 50,
        "engine_speed_rad_s": numbers % 190 * 1.0,
        "ambient_pressure_pa": 84_500.0 + numbers % 5 * 500,
        "supply_voltage_v": np.full(len(numbers), 27.8),
        "boost_pressure_pa": numbers % 55 * 2000.0,
    }


def bodies(turn: int, *, batches: int, streams: int, each: int, now_us: int) -> list[list[bytes]]:
    """The batches of one turn, dealt out to the clients: the next numbers of one stream after the other."""
    steps, values = recording(BATCH_ROWS, SEED + turn)
    document: dict[str, Any] = {"units": UNITS, "step_ms": steps, "columns": values}
    dealt: list[list[bytes]] = [[] for _ in range(CLIENTS)]
    for index in range(batches):
        number, round_ = (turn * batches + index) % streams + 1, (turn * batches + index) // streams
        document |= {"device": f"large-{number}", "stream": stream_of(number)}
        document |= {"first_seq": each + 1 + round_ * BATCH_ROWS}
        document["start"] = instant_text(now_us - (20 - round_) * BATCH_ROWS * 10_000_000)
        # A stream belongs to one client, so that its batches come in order.
        dealt[number % CLIENTS].append(json.dumps(document, separators=(",", ":")).encode())
    return dealt


def seconds(server: ServerProcess, dealt: Sequence[Sequence[bytes]]) -> float:
    """How long the batches take."""

    async def drive() -> None:
        await asyncio.gather(*(client_of(server.port, server.tokens["device"], own) for own in dealt))

    began_s = time.perf_counter()
    asyncio.run(drive())
    return time.perf_counter() - began_s


def compare(large: str, empty: str, given: argparse.Namespace) -> dict[str, Any]:
    """Load the large one, start a server on each, and let them take turns."""
    now_us, each = time.time_ns() // 1000 // 1_000_000 * 1_000_000, given.rows // given.streams
    size = {"streams": given.streams, "each": each, "now_us": now_us}
    tokens = [make_streams(url, **size) for url in (large, empty)]
    for url in (large, empty):
        choose_form(url, given.form)
    began_s = time.perf_counter()
    load(large, **size)
    print(f"{each * given.streams} readings loaded in {time.perf_counter() - began_s:.0f} s", flush=True)
    servers = [ServerProcess(url, own) for url, own in zip((large, empty), tokens, strict=True)]
    ratios, rates = [], []
    try:
        for server in servers:
            server.start()
        for turn in range(given.pairs + 1):
            dealt = bodies(turn, batches=given.batches, **size)
            order = servers if turn % 2 == 0 else servers[::-1]
            took = {server.database_url: seconds(server, dealt) for server in order}
            if turn == 0:  # warms up caches and the servers themselves
                continue
            ratios.append(took[large] / took[empty])
            rates.append([round(given.batches * BATCH_ROWS / took[url]) for url in (large, empty)])
            print(f"  pair {turn}: {rates[-1][0]:,} against {rates[-1][1]:,} rows/s", flush=True)
    finally:
        for server in servers:
            server.close()
    ratios.sort()
    return {
        "rows": each * given.streams,
        "rows_per_s": statistics.median(r[0] for r in rates),
        "empty_rows_per_s": statistics.median(r[1] for r in rates),
        "cost_ratio": round(statistics.median(ratios), 3),
        "cost_ratio_range": [round(ratios[0], 3), round(ratios[-1], 3)],
        "pairs": given.pairs,
    }


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="The cost of a batch beside a large and an empty table.")
    parser.add_argument("backend", nargs="?", choices=("postgres", "sqlite"), default="postgres")
    parser.add_argument("--rows", type=int, default=50_000_000, help="readings that are there already")
    parser.add_argument("--streams", type=int, default=1_000)
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--form", choices=FORMS, default=FORMS[0], help="of readings at rest")
    parser.add_argument("--batches", type=int, default=400, help="of 500 readings, in each half of a pair")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        if given.backend == "postgres":
            server = Postgres(Path(folder) / "postgres")
            found = compare(server.migrated(), server.migrated(), given)
            server.stop()
        else:
            large, empty = (f"sqlite:///{folder}/{name}.db" for name in ("large", "empty"))
            migrate(large)
            migrate(empty)
            found = compare(large, empty, given)
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
