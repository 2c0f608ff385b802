"""
How fast readings go in, durably, beside what the same machine can do at best with the same library.

    python -m tests.benchmark.bench_ingest sqlite [--layout columns] [--rounds 7] [--batches 400]

One round is a run of the server for each form of readings at rest (a real process, keys, checks, account and
duplicate detection on; every answer after its durable commit) and one run of the floor: a bare deduplicating
`executemany` of the same rows in the same table with the same commits, in one process without HTTP. They take
turns, so that a slow moment of the machine meets all; ratios are taken round by round. Clients run on the
same machine. Beside the clock stands processor time, of the server with its database, which a busy machine
stretches less; and what a reading takes on disk and in the log.

Data: the recording "gravel shift", made here from a seed: five quantities at J1939 resolution, one reading
every 10 s with jitter, restriction with noise and wander.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import random
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from cleanside.gateway.units import to_si
from cleanside.gateway.wire import instant_text, parse_instant
from tests.benchmark.counters import TICKS_A_S, counters
from tests.support.databases import FORMS, Postgres, choose_form, migrate
from tests.support.held import stored_count
from tests.support.serving import ServerProcess, as_process

SEED = 20260302
CLIENTS = 8
BATCH_ROWS = 500
DEVICE = "bench-{}"
UNITS = {
    "restriction": "kPa",
    "engine_speed": "r/min",
    "ambient_pressure": "kPa",
    "supply_voltage": "V",
    "boost_pressure": "kPa",
}
COLUMNS = (
    "restriction_pa",
    "engine_speed_rad_s",
    "ambient_pressure_pa",
    "supply_voltage_v",
    "boost_pressure_pa",
)
START_US = parse_instant("2026-01-05T06:00:00Z").us


def recording(rows: int, seed: int) -> tuple[list[int], dict[str, list[float]]]:
    """Steps [ms] and values as sent of the recording "gravel shift". Resolution: SAE J1939-71."""
    chance = random.Random(seed)
    wander, steps = 0.0, []
    values: dict[str, list[float]] = {name: [] for name in UNITS}
    for row in range(rows):
        steps.append(0 if row == 0 else 10_000 + chance.randrange(-40, 41))
        load = chance.random()
        wander += chance.gauss(0, 0.01)
        speed = 800 + 1000 * load
        pressure = 1.2 + 2.2 * load**2 + wander + chance.gauss(0, 0.04)
        values["restriction"].append(round(max(0.0, pressure) / 0.05) * 0.05)
        values["engine_speed"].append(round(speed / 0.125) * 0.125)
        values["ambient_pressure"].append(round((84.5 + chance.gauss(0, 0.1)) / 0.5) * 0.5)
        values["supply_voltage"].append(round((27.8 + chance.gauss(0, 0.1)) / 0.05) * 0.05)
        values["boost_pressure"].append(round(110 * load / 2) * 2.0)
    return steps, {name: [round(v, 6) for v in column] for name, column in values.items()}


class Load:
    """The batches of all clients, as bodies for HTTP and as rows for the floor."""

    def __init__(self, batches: int, batch_rows: int, layout: str) -> None:
        self.bodies: list[list[bytes]] = [[] for _ in range(CLIENTS)]
        self.rows: list[list[tuple[Any, ...]]] = []
        self.batch_rows = batch_rows
        each = batches // CLIENTS
        for client in range(CLIENTS):
            steps, values = recording(each * batch_rows, SEED + client)
            at_us = [START_US]
            for step in steps[1:]:
                at_us.append(at_us[-1] + step * 1000)
            si = [[to_si(v, UNITS[name], name) for v in values[name]] for name in UNITS]
            for first in range(0, each * batch_rows, batch_rows):
                part = slice(first, first + batch_rows)
                self.bodies[client].append(_body(client, first, at_us[part], values, part, layout))
                numbers = range(first + 1, first + batch_rows + 1)
                self.rows.append(
                    [
                        (client + 1, seq, us, None, 1, seq * 7919, 0, *row)
                        for seq, us, row in zip(
                            numbers, at_us[part], zip(*(c[part] for c in si), strict=True), strict=True
                        )
                    ]
                )
        self.total = sum(len(part) for part in self.rows)


def stream_of(client: int) -> str:
    return f"019abc00-7e1a-7c3e-8f00-{client:012d}"


def _body(
    client: int, first: int, at_us: list[int], values: dict[str, list[float]], part: slice, layout: str
) -> bytes:
    document: dict[str, Any] = {
        "device": DEVICE.format(client),
        "stream": stream_of(client),
        "units": UNITS,
    }
    if layout == "columns":
        document["first_seq"] = first + 1
        document["start"] = instant_text(at_us[0])
        document["step_ms"] = [0, *((b - a) // 1000 for a, b in pairwise(at_us))]
        document["columns"] = {name: column[part] for name, column in values.items()}
    else:
        document["readings"] = [
            {"seq": first + 1 + i, "at": instant_text(us)} | {n: c[part][i] for n, c in values.items()}
            for i, us in enumerate(at_us)
        ]
    return json.dumps(document, separators=(",", ":")).encode()


# ---------------------------------------------------------------- the server under load


async def client_of(port: int, token: str, bodies: Sequence[bytes]) -> None:
    """A bare HTTP/1.1 client that keeps its connection: it should cost next to nothing."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    head = (
        f"POST /v1/readings HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {token}\r\n"
        "Content-Type: application/json\r\nContent-Length: "
    ).encode()
    for body in bodies:
        writer.write(head + str(len(body)).encode() + b"\r\n\r\n" + body)
        answer_head = await reader.readuntil(b"\r\n\r\n")
        length = int(answer_head.lower().partition(b"content-length: ")[2].partition(b"\r\n")[0])
        answer = await reader.readexactly(length)
        if not answer_head.startswith(b"HTTP/1.1 200"):
            raise RuntimeError(f"the server answered {answer_head[:40]!r} {answer[:300]!r}")
    writer.close()
    await writer.wait_closed()


async def _drive(servers: Sequence[ServerProcess], bodies: Sequence[Sequence[bytes]]) -> None:
    await asyncio.gather(
        *(
            client_of(servers[i % len(servers)].port, servers[0].tokens["device"], part)
            for i, part in enumerate(bodies)
        )
    )


def register(server: ServerProcess) -> None:
    """Register the devices, so that nothing is quarantined."""
    with server.client("operator") as http:
        for client in range(CLIENTS):
            http.post("/v1/devices", json={"device": DEVICE.format(client)}).raise_for_status()


class Pace(NamedTuple):
    """A run: how fast, and what a reading cost."""

    rows_per_s: float
    #: of the server with its database, or of the floor
    processor_us: float
    disk_bytes: float
    log_bytes: float


@contextmanager
def pace_of(url: str, pids: Sequence[int], many: int) -> Iterator[Callable[[], Pace]]:
    """Gives what says the pace of what is done inside, once it is done. many : readings."""
    before, began_s = counters(url, pids), time.perf_counter()
    made: list[Pace] = []
    yield lambda: made[0]
    took_s = time.perf_counter() - began_s
    used = counters(url, pids).since(before)
    processor_s = max(used.processor_s, 1 / TICKS_A_S)  # less than that cannot be told
    each = 1e6 * processor_s / many, used.disk_bytes / many, used.log_bytes / many
    made.append(Pace(many / took_s, *each))


def run_server(url: str, load: Load, processes: int = 1) -> Pace:
    """Through real servers, checked by count."""
    devices = [DEVICE.format(client) for client in range(CLIENTS)]
    with as_process(url, devices=devices) as server:
        servers = [server]
        for _ in range(processes - 1):
            servers.append(ServerProcess(url, server.tokens))
            servers[-1].start()
        register(server)
        # The first batch of each client opens its stream and warms the server up; it is not timed.
        asyncio.run(_drive(servers, [part[:1] for part in load.bodies]))
        with pace_of(url, [s.pid for s in servers], load.total - CLIENTS * load.batch_rows) as pace:
            asyncio.run(_drive(servers, [part[1:] for part in load.bodies]))
        for further in servers[1:]:
            further.close()
    stored = stored_count(url)
    if stored != load.total:
        raise RuntimeError(f"{stored} of {load.total} readings are stored")
    return pace()


def run_plain(path: str, load: Load) -> Pace:
    """Through the stack that tutorials show, on the same bodies (layout `readings`)."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "tests.benchmark.plain_stack", path, str(port)]
    process = subprocess.Popen(command)
    try:
        _wait_for(port)
        token = "none"

        async def drive(parts: Sequence[Sequence[bytes]]) -> None:
            await asyncio.gather(*(client_of(port, token, part) for part in parts))

        asyncio.run(drive([part[:1] for part in load.bodies]))
        many = load.total - CLIENTS * load.batch_rows
        with pace_of(f"sqlite:///{path}", [process.pid], many) as pace:
            asyncio.run(drive([part[1:] for part in load.bodies]))
    finally:
        process.kill()
        process.wait()
    with sqlite3.connect(path) as connection:
        stored = connection.execute("SELECT count(*) FROM plain_readings").fetchone()[0]
    connection.close()
    if stored != load.total:
        raise RuntimeError(f"the plain stack stored {stored} of {load.total}")
    return pace()


def _wait_for(port: int) -> None:
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=0.1).close()
            return
        except OSError:
            time.sleep(0.05)
    raise RuntimeError("the plain stack did not start")


# ---------------------------------------------------------------- floors


def floor_sqlite(url: str, load: Load) -> Pace:
    """A bare deduplicating `executemany`, one durable commit a batch, the same table."""
    connection = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA cache_size=-65536")
    fixed = "stream_id, seq, at_us, at_uncertainty_s, unit_set_id, content_hash, received_us"
    marks = ", ".join("?" * (7 + len(COLUMNS)))
    sql = f"INSERT OR IGNORE INTO readings ({fixed}, {', '.join(COLUMNS)}) VALUES ({marks})"
    with pace_of(url, [os.getpid()], load.total) as pace:
        for part in load.rows:
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(sql, part)
            connection.execute("COMMIT")
    stored = connection.execute("SELECT count(*) FROM readings").fetchone()[0]
    connection.close()
    if stored != load.total:
        raise RuntimeError(f"the floor stored {stored} of {load.total}")
    return pace()


def floor_postgres(url: str, load: Load) -> Pace:
    """A bare keyed binary COPY, one durable commit a batch, the same table."""
    import psycopg

    fixed = "stream_id, seq, at_us, at_uncertainty_s, unit_set_id, content_hash, received_us"
    sql = f"COPY readings ({fixed}, {', '.join(COLUMNS)}) FROM STDIN (FORMAT BINARY)"
    types = ["int8", "int8", "int8", "float8", "int8", "int8", "int8"] + ["float8"] * len(COLUMNS)
    with psycopg.connect(url) as connection:
        with pace_of(url, [os.getpid()], load.total) as pace:
            for part in load.rows:
                with connection.cursor() as cursor, cursor.copy(sql) as copy:
                    copy.set_types(types)
                    for row in part:
                        copy.write_row(row)
                connection.commit()
        stored = connection.execute("SELECT count(*) FROM readings").fetchall()[0][0]
    if stored != load.total:
        raise RuntimeError(f"the floor stored {stored} of {load.total}")
    return pace()


# ---------------------------------------------------------------- rounds


def rounds(count: int, ways: Mapping[str, Callable[[], Pace]], name: str) -> dict[str, dict[str, Any]]:
    """Take turns, and compare each way with the first: medians, and ratios with their range."""
    floor, *forms = ways
    found: list[dict[str, Pace]] = []
    for index in range(count):
        turned = [*ways][index % len(ways) :] + [*ways][: index % len(ways)]
        found.append({way: ways[way]() for way in turned})
        shown = (f"{way} {found[-1][way].rows_per_s:,.0f}" for way in ways)
        print(f"  round {index + 1}: {', '.join(shown)} rows/s", flush=True)
    results = {form: compared([(one[form], one[floor]) for one in found]) for form in forms}
    for form, result in results.items():
        print(f"{name}, {form}: {spoken(result)}, {count} rounds", flush=True)
    return results


def compared(pairs: Sequence[tuple[Pace, Pace]]) -> dict[str, Any]:
    """A form beside the floor. Pure."""
    ratios = sorted(form.rows_per_s / floor.rows_per_s for form, floor in pairs)
    by_processor = sorted(floor.processor_us / form.processor_us for form, floor in pairs)
    return Pace(*map(statistics.median, zip(*(form for form, _ in pairs), strict=True)))._asdict() | {
        "floor_rows_per_s": statistics.median(floor.rows_per_s for _, floor in pairs),
        "floor_processor_us": statistics.median(floor.processor_us for _, floor in pairs),
        "ratio": statistics.median(ratios),
        "ratio_range": [ratios[0], ratios[-1]],
        "processor_ratio": statistics.median(by_processor),
        "processor_ratio_range": [by_processor[0], by_processor[-1]],
        "rounds": len(pairs),
    }


def spoken(result: Mapping[str, Any]) -> str:
    """A result in a line. Pure."""
    low, high = result["ratio_range"]
    by_low, by_high = result["processor_ratio_range"]
    return (
        f"{result['rows_per_s']:,.0f} rows/s, floor {result['floor_rows_per_s']:,.0f}, "
        f"ratio {result['ratio']:.2f} ({low:.2f} to {high:.2f}); "
        f"processor {result['processor_us']:.2f} us a reading, floor {result['floor_processor_us']:.2f}, "
        f"ratio {result['processor_ratio']:.2f} ({by_low:.2f} to {by_high:.2f}); "
        f"{result['disk_bytes']:.1f} B on disk, {result['log_bytes']:.1f} B of log"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="How fast readings go in, beside a floor.")
    parser.add_argument("backend", choices=("sqlite", "postgres"))
    parser.add_argument("--layout", choices=("columns", "readings"), default="columns")
    parser.add_argument("--forms", nargs="+", choices=FORMS, default=FORMS, help="of readings at rest")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--batches", type=int, default=400, help="batches in all; 8 clients share them")
    parser.add_argument("--rows", type=int, default=BATCH_ROWS, help="readings a batch")
    parser.add_argument("--processes", type=int, default=1, help="server processes, PostgreSQL only")
    parser.add_argument(
        "--against", choices=("floor", "plain"), default="floor", help="plain: with --layout readings"
    )
    parser.add_argument("--json", type=Path, help="write the result here too")
    given = parser.parse_args(arguments)
    if given.against == "plain" and (given.backend, given.layout) != ("sqlite", "readings"):
        parser.error("the plain stack takes readings into SQLite alone; give: sqlite --layout readings")
    load = Load(given.batches, given.rows, given.layout)
    size = len(load.bodies[0][1]) / given.rows
    print(f"{load.total} readings in {given.batches} batches, {CLIENTS} clients, {size:.1f} bytes a reading")
    with databases(given.backend) as fresh:

        def floor() -> Pace:
            if given.backend == "postgres":
                return floor_postgres(fresh(), load)
            if given.against == "floor":
                return floor_sqlite(fresh(), load)
            return run_plain(fresh().removeprefix("sqlite:///") + ".plain", load)

        def through_server(form: str) -> Pace:
            url = fresh()
            choose_form(url, form)
            return run_server(url, load, given.processes)

        result = rounds(
            given.rounds,
            {given.against: floor} | {form: partial(through_server, form) for form in given.forms},
            f"{given.backend}, {given.layout}, {given.rows} a batch, {given.processes} process(es)",
        )
    if given.json:
        given.json.write_text(json.dumps(result, indent=2))


@contextmanager
def databases(backend: str) -> Iterator[Callable[[], str]]:
    """Gives what makes new databases with the newest schema, and says their URLs."""
    with tempfile.TemporaryDirectory() as folder:
        if backend == "postgres":
            server = Postgres(Path(folder) / "postgres")
            yield server.migrated
            server.stop()
            return
        numbers = iter(range(10**6))

        def fresh() -> str:
            url = f"sqlite:///{folder}/{next(numbers)}.db"
            migrate(url)
            return url

        yield fresh


if __name__ == "__main__":
    main()
