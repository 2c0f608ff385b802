"""
One reading a request from many clients at once, each answered after its durable commit.

    python -m tests.benchmark.bench_single [sqlite|postgres] [--clients 64] [--requests 200] [--pairs 7]

Beside it, in turns, the same command and route without a store (`tests.benchmark.storeless`): key, decoder,
checks and answer are the same, nothing is written. The ratio says what durability leaves of the speed of the
route; only committing for many clients at once can keep it up. Goal: 0.4.

Data: the recording "gravel shift" of bench_ingest, another stretch of it for each client.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from cleanside.gateway.wire import instant_text
from tests.benchmark.bench_herd import make_fleet
from tests.benchmark.bench_ingest import SEED, START_US, UNITS, recording
from tests.support.databases import Postgres, migrate
from tests.support.held import stored_count
from tests.support.serving import ServerProcess, make_keys

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


def measure(url: str, module: str, bodies: Sequence[Sequence[bytes]]) -> tuple[float, list[float]]:
    """Requests a second and how long each took [s], on a server of its own."""
    tokens = make_fleet(url, [f"single-{client}" for client in range(len(bodies))])
    server = ServerProcess(url, make_keys(url, []), module=module)

    async def drive(part: slice, took: list[float]) -> None:
        await asyncio.gather(
            *(
                client_of(server.port, tokens[f"single-{client}"], own[part], took)
                for client, own in enumerate(bodies)
            )
        )

    took: list[float] = []
    try:
        server.start()
        asyncio.run(drive(slice(WARM_UP), []))
        began_s = time.perf_counter()
        asyncio.run(drive(slice(WARM_UP, None), took))
        all_s = time.perf_counter() - began_s
    finally:
        server.close()
    return len(took) / all_s, took


def compare(fresh: Callable[[], str], given: argparse.Namespace) -> dict[str, object]:
    """Pairs in turns; the median ratio with its range, and p50 and p99 of all durable answers."""
    bodies = [bodies_of(client, given.requests + WARM_UP) for client in range(given.clients)]
    rates, durable_s, bare_s = [], [], []
    for pair in range(given.pairs):
        found = {}
        for module in ("ingest", "tests.benchmark.storeless")[:: 1 if pair % 2 == 0 else -1]:
            url = fresh()
            found[module], took = measure(url, module, bodies)
            if module == "ingest":
                durable_s += took
                if stored_count(url) != given.clients * (given.requests + WARM_UP):
                    raise RuntimeError(f"{stored_count(url)} readings are stored, not all that were answered")
            else:
                bare_s += took
        rates.append((found["ingest"], found["tests.benchmark.storeless"]))
        print(f"  pair {pair + 1}: {rates[-1][0]:,.0f} against {rates[-1][1]:,.0f} requests/s", flush=True)
    ratios = sorted(a / b for a, b in rates)
    return {
        "requests_per_s": round(statistics.median(a for a, _ in rates)),
        "without_store_per_s": round(statistics.median(b for _, b in rates)),
        "ratio": round(statistics.median(ratios), 3),
        "ratio_range": [round(ratios[0], 3), round(ratios[-1], 3)],
        "durable_ms": quantiles_ms(durable_s),
        "without_store_ms": quantiles_ms(bare_s),
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
    parser.add_argument("--requests", type=int, default=200, help="of each client, in each half of a pair")
    parser.add_argument("--pairs", type=int, default=7)
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        if given.backend == "postgres":
            server = Postgres(Path(folder) / "postgres")
            found = compare(server.migrated, given)
            server.stop()
        else:
            names = iter(range(10**6))

            def fresh() -> str:
                url = f"sqlite:///{folder}/{next(names)}.db"
                migrate(url)
                return url

            found = compare(fresh, given)
    print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
