"""
Where a batch of 500 readings spends its processor time, and the least that each stage can take.

    python -m tests.benchmark.bench_budget [--layout columns|readings] [--batches 400] [--rounds 5]

Two tables, in microseconds of processor time a batch, which neighbours on a busy machine stretch less than
the clock; medians over the rounds. The first is of real servers on SQLite with readings as blocks, each with
a stage more: the library for HTTP with an empty app, the route up to the decoder (`undecoded`), that with
decoding and preparing (`storeless`), and the whole one with its commits. They take turns. The second is of
the functions of a stage in this process, hot, beside what the same library takes for the bare thing.

Below the tables stands what twice the floor of `bench_ingest` (a bare `executemany` of the same rows) would
leave for a batch.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import orjson
import sqlalchemy as sa
import zstandard

from cleanside.gateway import wire
from cleanside.gateway.wire import Batch
from cleanside.ingest.checking import content
from cleanside.ingest.checking.incoming import Arrived, Incoming, prepare, prepare_all, units_text
from cleanside.ingest.intake import quick_decoder, receive
from cleanside.ingest.store import block_content, database, fleet, models, readings
from tests.benchmark import bench_ingest
from tests.benchmark.bench_ingest import CLIENTS, DEVICE, Load, client_of, databases, register
from tests.support.databases import choose_form
from tests.support.serving import ServerProcess, make_keys

RECEIVED_US = bench_ingest.START_US + 10**13  # after every reading
SERVERS = {
    "HTTP alone": "tests.benchmark.empty_server",
    "and key, body, answer": "tests.benchmark.undecoded",
    "and decoding, preparing": "tests.benchmark.storeless",
    "and commits: all": "ingest",
}

# ---------------------------------------------------------------- real servers


def processor_us(pid: int) -> float:
    """Of all threads of a process so far, to the nanosecond. Source: Linux, sched-stats.rst."""
    used_ns = 0
    for thread in Path(f"/proc/{pid}/task").iterdir():
        with suppress(FileNotFoundError, ProcessLookupError):
            used_ns += int((thread / "schedstat").read_text().split()[0])
    return used_ns / 1e3


def of_servers(load: Load, rounds: int, fresh: Callable[[], str]) -> dict[str, float]:
    """Processor time a batch of each server of `SERVERS` [us]."""
    with started(fresh) as servers:
        took: dict[str, list[float]] = {name: [] for name in servers}
        each = (len(load.bodies[0]) - 1) // rounds
        for turn in range(-1, rounds):  # the first opens streams and warms up
            part = slice(0, 1) if turn < 0 else slice(1 + turn * each, 1 + (turn + 1) * each)
            for name, server in servers.items():
                before = processor_us(server.pid)
                asyncio.run(drive(server, [bodies[part] for bodies in load.bodies]))
                if turn >= 0:
                    took[name].append((processor_us(server.pid) - before) / (CLIENTS * each))
    return {name: statistics.median(found) for name, found in took.items()}


@contextmanager
def started(fresh: Callable[[], str]) -> Iterator[dict[str, ServerProcess]]:
    """The servers, each with a database of its own."""
    servers: dict[str, ServerProcess] = {}
    try:
        for name, module in SERVERS.items():
            url = fresh()
            choose_form(url, "blocks")
            tokens = make_keys(url, [DEVICE.format(client) for client in range(CLIENTS)])
            servers[name] = ServerProcess(url, tokens, module=module)
            servers[name].start()
            if module == "ingest":
                register(servers[name])
        yield servers
    finally:
        for server in servers.values():
            server.close()


async def drive(server: ServerProcess, bodies: Sequence[Sequence[bytes]]) -> None:
    """All clients at once."""
    await asyncio.gather(*(client_of(server.port, server.tokens["device"], part) for part in bodies))


# ---------------------------------------------------------------- stages in this process


def hot_us(work: Callable[[Any], Any], items: Sequence[Any], rounds: int) -> float:
    """Processor time of this thread for each item [us], the median of the rounds."""
    took = []
    for _ in range(rounds + 1):  # the first warms up
        began_s = time.thread_time()
        for item in items:
            work(item)
        took.append((time.thread_time() - began_s) / len(items) * 1e6)
    return statistics.median(took[1:])


def of_stages(load: Load, rounds: int, fresh: Callable[[], str]) -> dict[str, tuple[float, float]]:
    """Stage -> ours, and the bare thing [us a batch]."""
    bodies = [body for of_client in load.bodies for body in of_client]
    batches = [quick_decoder.decode(body) for body in bodies]
    incoming = [prepared(batch) for batch in batches]
    blocks = [one.ready.encoded.form.runs()[0].content for one in incoming if one.ready]  # type: ignore[union-attr]
    columns = [block_content._as_columns([one])[0] for one in blocks]
    groups = [batches[first : first + CLIENTS] for first in range(0, len(batches), CLIENTS)]
    compress = zstandard.ZstdCompressor(level=block_content.FAST_LEVEL).compress

    def hot(work: Callable[[Any], Any], items: Sequence[Any]) -> float:
        return hot_us(work, items, rounds)

    return {
        "decode (bare: orjson.loads)": (hot(quick_decoder.decode, bodies), hot(orjson.loads, bodies)),
        "decode, the long way": (hot(wire.decode, bodies), hot(orjson.loads, bodies)),
        "prepare (bare: hashes, in SI)": (hot(prepared, batches), hot(arithmetic, incoming)),
        f"prepare {CLIENTS} together (bare: alone)": (
            hot(prepared_together, groups) / CLIENTS,
            hot(prepared, batches),
        ),
        "of it the block (bare: zstd)": (hot(block_content.pack, blocks), hot(compress, columns)),
    } | {
        f"commit of {many} (bare: sqlite3)": (commit_us(fresh(), load, many), bare_commit_us(blocks, many))
        for many in (1, CLIENTS)
    }


def prepared(batch: Batch) -> Incoming:
    """Ready for the writer."""
    of_owner: Any = {"owner_id": 1, "unit_set_id": 1, "received_us": RECEIVED_US}
    return prepare(batch, units=units_text(batch), sqlite=True, as_blocks=True, **of_owner)


def prepared_together(batches: Sequence[Batch]) -> list[Incoming]:
    """As the server does with those that arrive together."""
    arrived = [Arrived(1, batch, units_text(batch), 1, RECEIVED_US) for batch in batches]
    return prepare_all(arrived, sqlite=True, as_blocks=True)


def arithmetic(one: Incoming) -> None:
    """What no other layout of the work would save."""
    content.content_hashes(one.batch, one.sent)
    content.in_si(one.batch, one.sent)


def commit_us(url: str, load: Load, many: int) -> float:
    """Processor time a batch of transactions of so many, their durable commit among it [us]."""
    choose_form(url, "blocks")
    engine = database.writing_engine(url)
    by_turn = [list(turn) for turn in zip(*load.bodies, strict=True)]
    batches = [[prepared(quick_decoder.decode(body)) for body in turn] for turn in by_turn]
    with engine.begin() as connection:
        assert fleet.keep_owner(connection, "plateau", 0) == 1
        assert readings.keep_unit_set(connection, batches[0][0].units) == 1
        for client in range(CLIENTS):
            fleet.keep_device(connection, 1, DEVICE.format(client))
        known = {"registered_us": 1, "history_from_us": 0}
        connection.execute(sa.update(models.devices).values(known))
        receive.receive_all(connection, batches[0])  # opens the streams
    began_s = time.thread_time()
    for turn in batches[1:]:
        for first in range(0, CLIENTS, many):
            with engine.begin() as connection:
                receive.receive_all(connection, turn[first : first + many])
    took_s = time.thread_time() - began_s
    engine.dispose()
    return took_s / (CLIENTS * len(batches[1:])) * 1e6


def bare_commit_us(blocks: Sequence[block_content.BlockContent], many: int) -> float:
    """The same bytes, and the same durability, by three bare statements a batch [us]."""
    rows = [block_content.pack(one) for one in blocks]
    with tempfile.TemporaryDirectory() as folder:
        connection = sqlite3.connect(f"{folder}/bare.db", isolation_level=None)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "cache_size=-65536"):
            connection.execute(f"PRAGMA {pragma}")
        connection.execute("CREATE TABLE blocks (stream, first, content, UNIQUE (stream, first))")
        connection.execute("CREATE TABLE hours (stream, hour, readings, PRIMARY KEY (stream, hour))")
        connection.execute("CREATE TABLE streams (id INTEGER PRIMARY KEY, mark)")
        connection.executemany("INSERT INTO streams VALUES (?, 0)", [(id,) for id in range(many)])
        began_s = time.thread_time()
        for first in range(0, len(rows) - many + 1, many):
            connection.execute("BEGIN IMMEDIATE")
            for stream, row in enumerate(rows[first : first + many]):
                connection.execute("INSERT INTO blocks VALUES (?, ?, ?)", (stream, first, row))
                connection.execute("INSERT INTO hours VALUES (?, ?, 500)", (stream, first))
                connection.execute("UPDATE streams SET mark = ? WHERE id = ?", (first, stream))
            connection.execute("COMMIT")
        took_s = time.thread_time() - began_s
        connection.close()
    return took_s / (len(rows) // many * many) * 1e6


# ---------------------------------------------------------------- put together


def show(found: Mapping[str, Any]) -> None:
    """As tables."""
    before = 0.0
    print(f"{'a server with ...':34s} {'us a batch':>10s} {'more':>8s}")
    for name, took_us in found["servers"].items():
        print(f"{name:34s} {took_us:10.0f} {took_us - before:8.0f}")
        before = took_us
    print(f"\n{'stage, alone and hot':34s} {'ours':>10s} {'bare':>8s}")
    for name, (ours, bare) in found["stages"].items():
        print(f"{name:34s} {ours:10.0f} {bare:8.0f}")
    print(f"\nthe floor of bench_ingest: {found['floor']:.0f} us; twice as fast: {found['floor'] / 2:.0f} us")


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Where a batch spends its processor time.")
    parser.add_argument("--layout", choices=("columns", "readings"), default="columns")
    parser.add_argument("--batches", type=int, default=400)
    parser.add_argument("--rows", type=int, default=bench_ingest.BATCH_ROWS)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--json", type=Path, help="write the result here too")
    given = parser.parse_args(arguments)
    load = Load(given.batches, given.rows, given.layout)
    with databases("sqlite") as fresh:
        floor = bench_ingest.floor_sqlite(fresh(), load).processor_us * given.rows
        servers = of_servers(load, given.rounds, fresh)
        found = {"servers": servers, "stages": of_stages(load, given.rounds, fresh), "floor": floor}
    show(found)
    if given.json:
        given.json.write_text(json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
