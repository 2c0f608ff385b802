"""
Ten million readings waiting: opening, appending, peeking, memory and file, beside an empty spool.

    python -m tests.benchmark.bench_spool_backlog [--readings 10000000] [--calls 200] [--folder DIR]

Calls go in turns, empty and large. Memory is that of a whole gateway process, at rest on the backlog with a
server that does not answer, and while it drains to one that does. Goals: open under 50 ms, calls at most 1.3
times as long, under 60 MB resident, the file at most twice its payload.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from cleanside.gateway.spool.payload import write_values
from cleanside.gateway.spool.queue import Spool
from tests.benchmark.at_once import serving
from tests.benchmark.gateway_floor import PAIRS, in_turns, open_spool, recording, timed
from tests.benchmark.gateway_process import gateway, wait_until

_MIB_PER_MB = 1e6 / 2**20
_DRAINED_REQUESTS = 200  # enough for its memory to have reached what it will


def fill(path: Path, count: int) -> float:
    """Append so many readings. Returns the mean size of a payload [B]."""
    readings = recording(min(count, 20_000))
    with open_spool(path) as spool:
        for _ in range(count // len(readings)):
            spool.append(readings)
    return statistics.mean(len(write_values(r.values.values())) for r in readings)


def compare(
    name: str, empty: Spool, large: Spool, work: Callable[[Spool], object], *, calls: int, pairs: int
) -> None:
    """What a call costs on the large spool, as a multiple of what it costs on the empty one."""
    ratios = []
    for _ in range(pairs):
        empty_s, large_s = in_turns([lambda _: work(empty), lambda _: work(large)], calls)
        ratios.append(large_s / empty_s)
    middle, low, high = statistics.median(ratios), min(ratios), max(ratios)
    print(f"{name:34} {middle:5.2f} times an empty spool's ({low:.2f} to {high:.2f}); goal 1.3")


def memory(folder: Path) -> None:
    """Of a real gateway on the spool in `folder`: at rest, then while it drains."""
    with gateway(folder, sources=1) as process:
        wait_until(lambda: "gateway.no_answer" in (folder / "log").read_text(), "an attempt to send")
        now_mib, most_mib = process.memory_mib()
        print(f"{'memory at rest on it':34} {now_mib:.1f} MiB resident, {most_mib:.1f} at most; ", end="")
        print(f"goal {60 * _MIB_PER_MB:.1f}")
    with serving() as server, gateway(folder, sources=1, server_port=server.port) as process:
        wait_until(
            lambda: len(server.posts) >= _DRAINED_REQUESTS or process.is_drained(), "requests at the server"
        )
        now_mib, most_mib = process.memory_mib()
        print(f"{'memory while it drains':34} {now_mib:.1f} MiB resident, {most_mib:.1f} at most")


def main(arguments: Sequence[str] | None = None) -> None:
    """Fill, open, compare, and look at the file and at a gateway's memory."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--readings", type=int, default=10_000_000)
    parser.add_argument("--calls", type=int, default=200)
    parser.add_argument("--pairs", type=int, default=PAIRS)
    parser.add_argument("--folder", help="where there is a gigabyte; None: the system's for such")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        payload_bytes = fill(folder / "spool", options.readings)
        opened_s = [timed(lambda: open_spool(folder / "spool").close()) for _ in range(options.pairs)]
        low, middle, high = min(opened_s), statistics.median(opened_s), max(opened_s)
        print(f"{f'open and close, {options.readings:,} waiting':34} {1e3 * middle:.1f} ms", end="")
        print(f" ({1e3 * low:.1f} to {1e3 * high:.1f}); goal 50")
        readings = recording(5_000)
        with open_spool(folder / "empty") as empty, open_spool(folder / "spool") as large:
            empty.append(readings)
            works: dict[str, Callable[[Spool], object]] = {
                "append one": lambda spool: spool.append(readings[:1]),
                "peek 500": lambda spool: spool.peek(max_readings=500),
            }
            for what, work in works.items():
                compare(what, empty, large, work, calls=options.calls, pairs=options.pairs)
        each_bytes = (folder / "spool").stat().st_size / options.readings
        print(f"{'file':34} {each_bytes:.1f} B a reading, {each_bytes / payload_bytes:.2f} times its payload")
        memory(folder)


if __name__ == "__main__":
    main()
