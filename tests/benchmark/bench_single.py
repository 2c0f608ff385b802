"""
One reading a request from many clients at once, each answered after its durable commit.

    python -m tests.benchmark.bench_single [sqlite|postgres] [--clients 64] [--requests 200] [--rounds 7]

For each form of readings at rest, and beside it, in turns, the same command and route without a store
(`tests.benchmark.storeless`): key, decoder, checks and answer are the same, nothing is written. The ratio
says what durability leaves of the speed of the route; only committing for many clients at once can keep it
up. Goal: 0.5. What a reading takes on disk is given as it came and, in blocks, after they were merged.

Data: the recording "gravel shift" of bench_ingest, another stretch of it for each client.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import NamedTuple

from cleanside.gateway.wire import instant_text
from cleanside.ingest.keeping import merge_choice, merging
from cleanside.ingest.store import database, store_modes
from tests.benchmark.bench_herd import make_fleet
from tests.benchmark.bench_ingest import SEED, START_US, UNITS, databases, recording
from tests.benchmark.counters import disk_bytes
from tests.support.databases import FORMS, choose_form, opened
from tests.support.held import stored_count
from tests.support.serving import ServerProcess, make_keys

NO_STORE = "no store"
WARM_UP = 5  # requests of each client that are not timed: they open its stream


def bodies_of(client: int, requests: int) -> list[bytes]:
    """One reading a body, in the layout for people."""
    _, values = recording(requests, SEED + client)
    stream = f"019abc00-7e1a-7c3e-8f02-{client:012d}"
    found = []
    for row in range(requests):
        reading = {"seq": row + 1, "at": instant_text(START_US + row * 10_000_000)}
        reading |= {name: column[row] for name, column in values.items()}
        document = {"device": f"single-{client}", "stream": stream, "units": UNITS, "readings": [reading]}
        found.append(json.dumps(document, separators=(",", ":")).encode())
    return found


async def client_of(port: int, token: str, bodies: Sequence[bytes], took: list[float]) -> None:
    """Post one after the other on one connection; adds how long each took to its answer [s]."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    head = f"POST /v1/readings HTTP/1.1\r\nHost: bench\r\nAuthorization: Bearer {token}\r\n"
    head += "Content-Type: application/json\r\nContent-Length: "
    for body in bodies:
        began_s = time.perf_counter()
        writer.write(head.encode() + str(len(body)).encode() + b"\r\n\r\n" + body)
        answer = await reader.readuntil(b"\r\n\r\n")
        length = int(answer.lower().partition(b"content-length: ")[2].partition(b"\r\n")[0])
        text = await reader.readexactly(length)
        if not answer.startswith(b"HTTP/1.1 200"):
            raise RuntimeError(f"the server answered {answer[:40]!r} {text[:300]!r}")
        took.append(time.perf_counter() - began_s)
    writer.close()


class Took(NamedTuple):
    """One way: how fast, how long each request took [s], and bytes a reading on disk."""

    requests_per_s: float
    answers_s: list[float]
    disk_bytes: float
    merged_bytes: float


def measure(url: str, module: str, bodies: Sequence[Sequence[bytes]]) -> Took:
    """Send them to a server of its own."""
    tokens = make_fleet(url, [f"single-{client}" for client in range(len(bodies))])
    server = ServerProcess(url, make_keys(url, []), module=module)
    many = sum(map(len, bodies))

    async def drive(part: slice, took: list[float]) -> None:
        await asyncio.gather(
            *(
                client_of(server.port, tokens[f"single-{client}"], own[part], took)
                for client, own in enumerate(bodies)
            )
        )

    took: list[float] = []
    try:
        server.start()  # on PostgreSQL it makes tables for the months to come
        compact(url)
        empty_bytes = disk_bytes(url)
        asyncio.run(drive(slice(WARM_UP), []))
        began_s = time.perf_counter()
        asyncio.run(drive(slice(WARM_UP, None), took))
        all_s = time.perf_counter() - began_s
    finally:
        server.close()
    came = (disk_bytes(url) - empty_bytes) / many
    merge(url)
    return Took(len(took) / all_s, took, came, (disk_bytes(url) - empty_bytes) / many)


def merge(url: str) -> None:
    """Join what lies in small blocks, as a server does some time later."""
    with opened(url) as engine:
        with engine.connect() as connection:
            if not store_modes.is_on(connection, store_modes.BLOCKS):
                return
        reading, write = partial(database.view, engine), partial(database.in_transaction, engine)
        later_us = time.time_ns() // 1000 + 2 * merge_choice.QUIET_US
        merging.run_pass(merging.MergePlan(reading=reading, write=write, now_us=later_us))
    compact(url)


def compact(url: str) -> None:
    """Leave out what is free in the files of PostgreSQL, of its own tables too: what comes uses it again."""
    with opened(url) as engine:
        if engine.dialect.name == "postgresql":
            with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                connection.exec_driver_sql("VACUUM FULL")


def compare(fresh: Callable[[], str], given: argparse.Namespace) -> dict[str, dict[str, object]]:
    """Each form and the route without a store in turns."""
    bodies = [bodies_of(client, given.requests + WARM_UP) for client in range(given.clients)]
    found: list[dict[str, Took]] = []
    for index in range(given.rounds):
        ways = [*given.forms, NO_STORE]
        turned = ways[index % len(ways) :] + ways[: index % len(ways)]
        found.append({way: _one(way, fresh(), bodies) for way in turned})
        shown = (f"{way} {took.requests_per_s:,.0f}" for way, took in sorted(found[-1].items()))
        print(f"  round {index + 1}: {', '.join(shown)} requests/s", flush=True)
    return {form: compared([(took[form], took[NO_STORE]) for took in found]) for form in given.forms}


def _one(way: str, url: str, bodies: Sequence[Sequence[bytes]]) -> Took:
    if way == NO_STORE:
        return measure(url, "tests.benchmark.storeless", bodies)
    choose_form(url, way)
    took = measure(url, "ingest", bodies)
    if (stored := stored_count(url)) != sum(map(len, bodies)):
        raise RuntimeError(f"{stored} readings are stored, not all that were answered")
    return took


def compared(pairs: Sequence[tuple[Took, Took]]) -> dict[str, object]:
    """A form beside the route without a store: medians, the ratio with its range, p50 and p99 of all."""
    ratios = sorted(form.requests_per_s / bare.requests_per_s for form, bare in pairs)
    return {
        "requests_per_s": round(statistics.median(form.requests_per_s for form, _ in pairs)),
        "without_store_per_s": round(statistics.median(bare.requests_per_s for _, bare in pairs)),
        "ratio": round(statistics.median(ratios), 3),
        "ratio_range": [round(ratios[0], 3), round(ratios[-1], 3)],
        "durable_ms": quantiles_ms([s for form, _ in pairs for s in form.answers_s]),
        "without_store_ms": quantiles_ms([s for _, bare in pairs for s in bare.answers_s]),
        "disk_bytes": round(statistics.median(form.disk_bytes for form, _ in pairs), 1),
        "merged_bytes": round(statistics.median(form.merged_bytes for form, _ in pairs), 1),
    }


def quantiles_ms(seconds: Sequence[float]) -> dict[str, float]:
    """p50 and p99."""
    cuts = statistics.quantiles(seconds, n=100)
    return {"p50": round(1000 * cuts[49], 1), "p99": round(1000 * cuts[98], 1)}


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Single readings from many clients at once.")
    parser.add_argument("backend", nargs="?", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--clients", type=int, default=64)
    parser.add_argument("--requests", type=int, default=200, help="of each client, in each way of a round")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--forms", nargs="+", choices=FORMS, default=FORMS, help="of readings at rest")
    given = parser.parse_args(arguments)
    with databases(given.backend) as fresh:
        found = compare(fresh, given)
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
