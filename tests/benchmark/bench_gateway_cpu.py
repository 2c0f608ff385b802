"""
What a gateway costs while it works: one reading a second, link up. Processor, memory, bytes on disk and link.

    python -m tests.benchmark.bench_gateway_cpu [--seconds 120] [--every-s 1] [--linger-s 5]

A real process, fed through a Unix socket; the server runs here and is not counted. Goal: under 1 % of a core.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from cleanside.gateway.uplink.loop import DEFAULT_LINGER_S
from tests.benchmark.at_once import serving
from tests.benchmark.gateway_floor import recording
from tests.benchmark.gateway_process import gateway, lines_of, wait_until


def main(arguments: Sequence[str] | None = None) -> None:
    """Let it settle with the first reading, then count over the seconds asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--every-s", type=float, default=1.0, help="between two readings")
    parser.add_argument("--linger-s", type=float, default=DEFAULT_LINGER_S, help="as in the settings")
    options = parser.parse_args(arguments)
    count = max(1, round(options.seconds / options.every_s))
    first, *lines = lines_of([dict(r.values) for r in recording(count + 1)])
    with (
        tempfile.TemporaryDirectory() as folder,
        serving() as server,
        gateway(Path(folder), sources=1, server_port=server.port, linger_s=options.linger_s) as process,
        process.connect(0) as client,
    ):
        client.sendall(first)
        wait_until(lambda: bool(server.posts), "the first reading at the server")
        before_s, before_bytes = process.cpu_s(), process.disk_bytes()
        up, down, posts = server.up_bytes, server.down_bytes, len(server.posts)
        began_s = time.monotonic()
        for number, line in enumerate(lines, 1):
            time.sleep(max(0.0, began_s + number * options.every_s - time.monotonic()))
            client.sendall(line)
        took_s = time.monotonic() - began_s
        share = (process.cpu_s() - before_s) / took_s
        written_bytes = process.disk_bytes() - before_bytes
        now_mib, most_mib = process.memory_mib()
        requests = len(server.posts) - posts
        up, down = server.up_bytes - up, server.down_bytes - down
    assert requests, "nothing was sent meanwhile: the link was not up"
    print(f"{len(lines)} readings in {took_s:.0f} s, {requests} requests: {share:.2%} of a core")
    print(f"memory {now_mib:.0f} MiB resident, {most_mib:.0f} MiB at most")
    print(
        f"{written_bytes / len(lines):,.0f} B to disk a reading (the file system's blocks), "
        f"{up / len(lines):.0f} B up and {down / len(lines):.0f} B down"
    )


if __name__ == "__main__":
    main()
