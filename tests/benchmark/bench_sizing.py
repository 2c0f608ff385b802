"""
What a reading costs the server: processor, disk, log, memory; and what follows for a fleet.

    python -m tests.benchmark.bench_sizing [sqlite|postgres] [--batches 800] [--interval-s 10]

A real server takes gateway batches of 500 readings of five quantities (the recording of bench_ingest).
Processor time is that of the server's process, on PostgreSQL with all of the database's; it says what a core
can do however busy this machine is otherwise. Disk is what the database grew by, all indexes counted. Log is
PostgreSQL's write-ahead log; of SQLite what the process wrote in all.
The table of fleets is arithmetic with these figures, with those of bench_workers (analysis) and with those of
bench_housing_memory. Prints it as Markdown, and JSON at the end.
"""

from __future__ import annotations

import argparse
import asyncio
import dataclasses
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from cleanside.ingest.analysis.memory import MAX_STUDIES, MAX_SUMMARIES
from tests.benchmark.bench_ingest import CLIENTS, DEVICE, Load, client_of, register
from tests.benchmark.bench_soak import seen
from tests.benchmark.counters import counters
from tests.fault.kill_server import database_of
from tests.support.serving import ServerProcess, as_process

BATCH_ROWS = 500
FLEETS = (100, 1_000, 100_000, 1_000_000)
DAY_S = 86_400
RETENTION_DAYS = 400  # the default of the setting
ARCHIVED_BYTES = 13.5  # a reading, measured by bench_archive
# Processor time of worker and database, measured by bench_workers with --machines 4 --workers 1 and a reading
# in 10 s and in 120 s: 0.201 and 0.138 s a machine-month.
ANALYSED_HOUR_MS = 0.18  # of an hour, however many readings it has
ANALYSED_READING_US = 0.27
HOUR_S = 3_600
# What a housing with a year of hours takes in a process that judges it, measured by bench_housing_memory.
JUDGED_MIB = 13.1
STUDY_MIB = 36 / 1024
STUDIES_EACH = 2  # of the knowledge in use, and of the next before its first use
MIB = 2**20


@dataclass(frozen=True)
class Cost:
    """Of one reading, and the server's memory after all of them."""

    processor_us: float
    disk_bytes: float
    log_bytes: float
    memory_mib: float

    @property
    def a_core_takes(self) -> float:
        """Readings a second."""
        return 1e6 / self.processor_us


def measured(kind: str, batches: int) -> Cost:
    """Send the batches, and count what they cost."""
    load = Load(batches, BATCH_ROWS, "columns")
    devices = [DEVICE.format(client) for client in range(CLIENTS)]
    with database_of(kind) as url, as_process(url, devices=devices) as server:
        register(server)
        asyncio.run(_drive(server, [part[:1] for part in load.bodies]))  # opens the streams
        before = counters(url, [server.pid])
        asyncio.run(_drive(server, [part[1:] for part in load.bodies]))
        used = counters(url, [server.pid]).since(before)
        memory_mib = seen(server.pid)["memory_mib"]
    many = load.total - CLIENTS * BATCH_ROWS
    return Cost(
        processor_us=1e6 * used.processor_s / many,
        disk_bytes=used.disk_bytes / many,
        log_bytes=used.log_bytes / many,
        memory_mib=memory_mib,
    )


async def _drive(server: ServerProcess, bodies: Sequence[Sequence[bytes]]) -> None:
    token = server.tokens["device"]
    await asyncio.gather(*(client_of(server.port, token, part) for part in bodies))


def table(cost: Cost, interval_s: float) -> str:
    """Fleets, a reading of each machine every `interval_s`, as Markdown. Pure."""
    lines = [
        "| machines | readings a second | cores to take them | cores to analyse them | memory "
        "| tables, 400 days | archive, a year more | log a day |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for machines in FLEETS:
        rate = machines / interval_s
        kept = rate * DAY_S * RETENTION_DAYS * cost.disk_bytes
        archived = rate * DAY_S * 365 * ARCHIVED_BYTES
        cells = [
            f"{machines:,}".replace(",", " "),
            f"{rate:,.0f}".replace(",", " "),
            cores(rate / cost.a_core_takes),
            cores(machines * ANALYSED_HOUR_MS / 1e3 / HOUR_S + rate * ANALYSED_READING_US / 1e6),
            size(MIB * (cost.memory_mib + memory_mib(machines))),
            size(kept),
            size(archived),
            size(rate * DAY_S * cost.log_bytes),
        ]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines)


def memory_mib(machines: int) -> float:
    """What a process keeps of machines that it judges, each with a year of hours. Pure."""
    judged, studies = min(machines, MAX_SUMMARIES), min(STUDIES_EACH * machines, MAX_STUDIES)
    return judged * JUDGED_MIB + studies * STUDY_MIB


def cores(count: float) -> str:
    """Cores for a person. Pure."""
    return "under 0.01" if count < 0.01 else f"{count:.1g}"


def size(count: float) -> str:
    """Bytes for a person. Pure."""
    for unit in ("MB", "GB", "TB"):
        count /= 1000 if unit != "MB" else 1e6
        if count < 1000 or unit == "TB":
            return f"{count:,.0f} {unit}" if count >= 10 else f"{count:.1f} {unit}"
    raise AssertionError


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("database", nargs="?", choices=("sqlite", "postgres"), default="postgres")
    parser.add_argument("--batches", type=int, default=800)
    parser.add_argument("--interval-s", type=float, default=10.0, help="between two readings of a machine")
    given = parser.parse_args(arguments)
    cost = measured(given.database, given.batches)
    print(f"{given.database}: {cost.a_core_takes:,.0f} readings a second and core")
    print(table(cost, given.interval_s))
    print(json.dumps({"a_core_takes": cost.a_core_takes} | dataclasses.asdict(cost)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
