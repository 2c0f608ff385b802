"""
From a full spool to an empty one, over loopback HTTP to a server that answers at once and looks at nothing.

    python -m tests.benchmark.bench_uplink_drain [--readings 200000] [--batch 2000] [--turns 7] [--profile]

The server runs in this same process and shares its time. Goal: 150 000 readings a second.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import random
import statistics
import tempfile
from collections.abc import Sequence
from pathlib import Path

from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import HttpTransport
from cleanside.gateway.wire import Reading
from tests.benchmark.at_once import by_counting, serving
from tests.benchmark.gateway_floor import PAIRS, open_spool, recording, timed


def drain(path: Path, readings: Sequence[Reading], *, batch: int) -> float:
    """Readings a second."""
    with serving(by_counting(batch)) as server, open_spool(path) as spool:
        for begin in range(0, len(readings), 10_000):
            spool.append(readings[begin : begin + 10_000])
        transport = HttpTransport(f"http://127.0.0.1:{server.port}", key=lambda: "k")
        uplink = Uplink(
            spool,
            transport,
            clock=SystemClock(),
            random=random.random,
            log=lambda *_, **__: None,
            max_readings=batch,
        )
        took_s = timed(lambda: until_idle(uplink))
        assert spool.state().backlog == 0
        transport.close()
    return len(readings) / took_s


def until_idle(uplink: Uplink) -> None:
    """Turn the loop until nothing is left."""
    while not uplink.step().idle:
        pass


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, and show where the time went if asked to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--readings", type=int, default=200_000, help="a multiple of the batch")
    parser.add_argument("--batch", type=int, default=2_000, help="readings in a request")
    parser.add_argument("--turns", type=int, default=PAIRS)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args(arguments)
    readings = recording(options.readings)
    with tempfile.TemporaryDirectory() as folder:
        rates = [drain(Path(folder, str(n)), readings, batch=options.batch) for n in range(options.turns)]
        middle, low, high = statistics.median(rates), min(rates), max(rates)
        print(f"drain over loopback HTTP: {middle:,.0f} readings/s ({low:,.0f} to {high:,.0f})")
        if options.profile:
            profile = cProfile.Profile()
            profile.runcall(drain, Path(folder, "profiled"), readings, batch=options.batch)
            pstats.Stats(profile).sort_stats("tottime").print_stats(15)


if __name__ == "__main__":
    main()
