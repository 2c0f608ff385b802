"""
A slow disk, every sync 5 ms more: several sources at ten readings a second each, through a real gateway.

    python -m tests.benchmark.bench_spool_slow_disk [--sources 20] [--seconds 20] [--sync-ms 5]

Twenty sources give two hundred readings a second: more than such a disk has syncs. They keep up because
appends that wait together are committed together. Nothing is lost (counted at the end), and nothing falls
behind: how long after the last line all are on disk. Then one source alone, for the wear of the flash.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.spool.file import open_to_read
from tests.benchmark.gateway_floor import recording
from tests.benchmark.gateway_process import Process, gateway, lines_of, wait_until

EVERY_S = 0.1


def on_disk(process: Process) -> int:
    """How many readings the file holds, read beside the gateway."""
    connection = open_to_read(process.spool)
    try:
        return int(connection.execute("SELECT count(*) FROM readings").get)
    finally:
        connection.close()


def feed(process: Process, source: int, lines: Sequence[bytes]) -> None:
    """Write a line every tenth of a second, whether the gateway keeps up or not."""
    with process.connect(source) as client:
        begin_s = time.monotonic()
        for number, line in enumerate(lines):
            time.sleep(max(0.0, begin_s + number * EVERY_S - time.monotonic()))
            client.sendall(line)


def measure(folder: Path, *, sources: int, seconds: float, sync_ms: float) -> str:
    """Feed, wait until all is on disk, and say what it took."""
    folder.mkdir()
    lines = lines_of([dict(r.values) for r in recording(max(1, round(seconds / EVERY_S)))])
    expected = sources * len(lines)
    with gateway(folder, sources=sources, slow_sync_ms=sync_ms) as process:
        wait_until(process.spool.exists, "a spool")
        threads = [threading.Thread(target=feed, args=(process, n, lines)) for n in range(sources)]
        began_s = time.monotonic()
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        ended_s = time.monotonic()
        wait_until(lambda: on_disk(process) >= expected, "all readings on disk")
        behind_s = time.monotonic() - ended_s
    assert verify(process.spool) == []
    assert on_disk(process) == expected, "a reading is lost or doubled"
    counts = process.counts()
    syncs_an_hour = counts["syncs"] / (ended_s - began_s) * 3600
    return (
        f"{sources:3} sources, {expected / (ended_s - began_s):6.1f} readings/s: none of {expected} lost, "
        f"all on disk {behind_s:.2f} s after the last; {expected / counts['syncs']:.2f} readings a sync, "
        f"{syncs_an_hour:,.0f} syncs/h, {counts['written_bytes'] / expected:,.0f} B written a reading"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure many sources on the slow disk and on this one, then one source on the slow disk."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--sources", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--sync-ms", type=float, default=5.0, help="what each sync takes more")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        for name, sources, sync_ms in (
            (f"every sync {options.sync_ms:g} ms more", options.sources, options.sync_ms),
            ("this disk as it is", options.sources, 0.0),
            (f"every sync {options.sync_ms:g} ms more", 1, options.sync_ms),
        ):
            place = Path(folder, f"{sources}-{sync_ms:g}")
            said = measure(place, sources=sources, seconds=options.seconds, sync_ms=sync_ms)
            print(f"{name}: {said}")


if __name__ == "__main__":
    main()
