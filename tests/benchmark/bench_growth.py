"""
Which kind of request lets a server's memory grow: one kind at a time, as fast as it goes.

    python -m tests.benchmark.bench_growth posts|fleet|readings|pages|mixed [--requests 50000]

A real server tells its memory by part (`tests.benchmark.telling_server`) ten times or more, after machines
with a reading a request have filled it. Of each part the slopes after the first third and in the last one
are said by 100,000 requests, so that a leak of a hundred bytes a request shows within minutes (`bench_soak`
needs hours for it) and on a busy machine: it is no time. A part that fills a cache levels off; one that
leaks does not. `mixed` asks for something else once in fifty posts.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
import tempfile
from collections.abc import Sequence
from itertools import cycle
from pathlib import Path

from tests.benchmark.bench_herd import make_fleet
from tests.benchmark.bench_single import bodies_of, client_of
from tests.benchmark.bench_soak import slope, telling_server
from tests.benchmark.telling_server import PARTS, told_by
from tests.fault.kill_server import database_of
from tests.support.serving import ServerProcess

ASKED: dict[str, tuple[str, ...]] = {
    "fleet": ("/v1/fleet", "/v1/work"),
    "readings": ("/v1/machines/of-single-1/readings?limit=500", "/v1/machines/of-single-1/restriction"),
    "pages": ("/fleet", "/work-list"),
}
ASKED["mixed"] = (*ASKED["fleet"], *ASKED["readings"], "/v1/account", "/v1/attention", "/metrics")
KINDS = ("posts", *ASKED)
READERS = 4
POSTS_AN_ANSWER = 50  # in `mixed`; five times as many as in bench_soak
FILL = 100  # requests of each machine before the first look
SAMPLES = 12
PER = 100_000  # requests that a slope is said by


async def ask(server: ServerProcess, paths: Sequence[str], many: int) -> None:
    """Ask for these in turns, from several connections. Raises RuntimeError for another answer than 200."""
    left = iter(range(many))
    turns = cycle(paths)

    async def reader() -> None:
        reads, writes = await asyncio.open_connection("127.0.0.1", server.port)
        for _ in left:
            head = f"GET {next(turns)} HTTP/1.1\r\nHost: bench\r\n"
            writes.write(f"{head}Authorization: Bearer {server.tokens['admin']}\r\n\r\n".encode())
            answer = (await reads.readuntil(b"\r\n\r\n")).lower()
            await reads.readexactly(int(answer.partition(b"content-length: ")[2].partition(b"\r\n")[0]))
            if not answer.startswith(b"http/1.1 200"):
                raise RuntimeError(f"the server answered {answer[:60]!r}")
        writes.close()

    await asyncio.gather(*(reader() for _ in range(READERS)))


class Machines:
    """Machines that post, each a reading a request."""

    def __init__(self, server: ServerProcess, tokens: dict[str, str], each: int) -> None:
        """each : how many readings each has in all."""
        self._server = server
        self._tokens = list(tokens.values())
        self._bodies = [bodies_of(number, each) for number in range(len(tokens))]
        self._posted = 0

    async def post(self, each: int) -> None:
        """The next so many readings of each."""
        part = slice(self._posted, self._posted + each)
        self._posted += each
        port = self._server.port
        await asyncio.gather(
            *(
                client_of(port, token, own[part], [])
                for token, own in zip(self._tokens, self._bodies, strict=True)
            )
        )


def growth(url: str, folder: Path, given: argparse.Namespace) -> dict[str, dict[str, float]]:
    """Of each part: what it was after a third and at the end, and its slope by so many requests."""
    step = given.requests // SAMPLES
    each = max(1, step // given.machines)
    tokens = make_fleet(url, [f"single-{number}" for number in range(given.machines)])
    server = telling_server(url, folder, arenas=given.arenas)
    try:
        server.start()
        machines = Machines(server, tokens, FILL + SAMPLES * each)
        asyncio.run(machines.post(FILL))
        told = []
        for _ in range(SAMPLES):
            asyncio.run(_one_step(server, machines, given.kind, each=each, step=step))
            told.append(told_by(folder))
        if code := server.stop():
            raise RuntimeError(f"the server ended with {code}")
    finally:
        server.close()
    came = [(number + 1) * step for number in range(SAMPLES)]
    return {name: _grown(came, [one[name] for one in told]) for name in PARTS}


async def _one_step(server: ServerProcess, machines: Machines, kind: str, *, each: int, step: int) -> None:
    if kind == "posts":
        await machines.post(each)
    elif kind == "mixed":
        await asyncio.gather(machines.post(each), ask(server, ASKED[kind], step // POSTS_AN_ANSWER))
    else:
        await ask(server, ASKED[kind], step)


def _grown(came: Sequence[int], values: Sequence[float]) -> dict[str, float]:
    third, per = len(values) // 3, PER / 3600  # `slope` is by 3600 of what it is given
    first, error = (per * value for value in slope(came[third:], values[third:]))
    last, error_last = (per * value for value in slope(came[-third:], values[-third:]))
    return {
        "after_a_third": values[third],
        "last": values[-1],
        "slope": first,
        "error": error,
        "slope_of_last_third": last,
        "error_of_last_third": error_last,
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=KINDS)
    parser.add_argument("--requests", type=int, default=50_000)
    parser.add_argument("--machines", type=int, default=50)
    parser.add_argument("--database", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--arenas", default="2", help="heaps of the C library, 2 as in the server's unit")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder, database_of(given.database) as url:
        found = growth(url, Path(folder), given)
    for name, one in found.items():
        print(
            f"{name:>14} {one['after_a_third']:12,.1f} to {one['last']:12,.1f}, "
            f"{one['slope']:+10,.2f} (± {one['error']:.2f}) by {PER:,} requests, in the last third "
            f"{one['slope_of_last_third']:+10,.2f} (± {one['error_of_last_third']:.2f})  {PARTS[name]}"
        )
    print(json.dumps(found), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
