"""
What a new user waits for and what runs afterwards costs: time from clone to the demo's table, memory at rest.

    python -m tests.benchmark.bench_first_start [--no-clone]

The clone is of this checkout's HEAD; packages come from the registry, or from pip's cache where it has them.
Memory is VmRSS (proc(5)) of each process two seconds after it is ready, with nothing to do.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.support.databases import migrate
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.serving import DEVICE, as_process

ROOT = Path(__file__).parents[2]
AT_REST_AFTER_S = 2.0


def main() -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="time from clone to the demo's table, memory at rest")
    parser.add_argument("--no-clone", action="store_true", help="memory only")
    given = parser.parse_args()
    if not given.no_clone:
        clone_to_table()
    memory_at_rest()
    return 0


def clone_to_table() -> None:
    """The README's first command in a fresh clone, step by step."""
    with tempfile.TemporaryDirectory() as folder:
        steps = (
            ("clone", ["git", "clone", "-q", str(ROOT), "clone"]),
            ("virtual environment", [sys.executable, "-m", "venv", "clone/.venv"]),
            ("install", ["clone/.venv/bin/pip", "install", "-q", "./clone[simulator]"]),
            ("demo", ["clone/.venv/bin/cleanside-simulator", "demo"]),
        )
        total_s = 0.0
        for name, command in steps:
            began_s = time.perf_counter()
            subprocess.run(command, cwd=folder, check=True, capture_output=True)
            took_s = time.perf_counter() - began_s
            total_s += took_s
            print(f"{name:<20} {took_s:6.1f} s")
        print(f"{'clone to table':<20} {total_s:6.1f} s")


def memory_at_rest() -> None:
    """A server without clients and a gateway that has nothing to send."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/ingest.db"
        migrate(url)
        with as_process(url) as server:
            gateway = GatewayProcess(
                Path(folder), device=DEVICE, key=server.tokens["device"], server=server.url
            )
            gateway.start()
            wait_until(lambda: "gateway.clock_anchored" in gateway.log(), "the gateway has asked the server")
            time.sleep(AT_REST_AFTER_S)
            print(f"{'server at rest':<20} {resident_mib(server.pid):6.1f} MiB")
            print(f"{'gateway at rest':<20} {resident_mib(gateway.pid):6.1f} MiB")
            gateway.close()


def resident_mib(pid: int) -> float:
    """VmRSS of a process [MiB]."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    [line] = [text for text in lines if text.startswith("VmRSS:")]
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    sys.exit(main())
