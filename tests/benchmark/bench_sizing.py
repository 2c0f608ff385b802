"""
What a reading costs the server: processor, disk, log, memory; and what follows for a fleet.

    python -m tests.benchmark.bench_sizing [sqlite|postgres] [--batches 800] [--interval-s 10]

A real server takes gateway batches of 500 readings of five quantities (the recording of bench_ingest).
Processor time is that of the server's process, on PostgreSQL with all of the database's; it says what a core
can do however busy this machine is otherwise. Disk is what the database grew by, all indexes counted. Log is
PostgreSQL's write-ahead log; of SQLite what the process wrote in all.
The table of fleets is arithmetic with these figures. Prints it as Markdown, and JSON at the end.
"""

from __future__ import annotations

import argparse
import asyncio
import dataclasses
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.store import database
from tests.benchmark.bench_ingest import CLIENTS, DEVICE, Load, client_of, register
from tests.benchmark.bench_soak import seen
from tests.benchmark.bench_workers import processor_s
from tests.fault.kill_server import database_of
from tests.support.serving import ServerProcess, as_process

BATCH_ROWS = 500
FLEETS = (100, 1_000, 100_000, 1_000_000)
DAY_S = 86_400
RETENTION_DAYS = 400  # the default of the setting
ARCHIVED_BYTES = 13.5  # a reading, measured by bench_archive


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


@dataclass(frozen=True)
class Counters:
    """Of the server so far."""

    processor_s: float
    disk_bytes: int
    log_bytes: int


def measured(kind: str, batches: int) -> Cost:
    """Send the batches, and count what they cost."""
    load = Load(batches, BATCH_ROWS, "columns")
    devices = [DEVICE.format(client) for client in range(CLIENTS)]
    with database_of(kind) as url, as_process(url, devices=devices) as server:
        register(server)
        asyncio.run(_drive(server, [part[:1] for part in load.bodies]))  # opens the streams
        before = counters(url, server)
        asyncio.run(_drive(server, [part[1:] for part in load.bodies]))
        after = counters(url, server)
        memory_mib = seen(server.pid)["memory_mib"]
    many = load.total - CLIENTS * BATCH_ROWS
    return Cost(
        processor_us=1e6 * (after.processor_s - before.processor_s) / many,
        disk_bytes=(after.disk_bytes - before.disk_bytes) / many,
        log_bytes=(after.log_bytes - before.log_bytes) / many,
        memory_mib=memory_mib,
    )


async def _drive(server: ServerProcess, bodies: Sequence[Sequence[bytes]]) -> None:
    token = server.tokens["device"]
    await asyncio.gather(*(client_of(server.port, token, part) for part in bodies))


def counters(url: str, server: ServerProcess) -> Counters:
    """Processor time, disk and log of the server and its database."""
    if (path := database.sqlite_path(url)) is not None:
        io = dict(line.split(": ") for line in Path(f"/proc/{server.pid}/io").read_text().splitlines())
        engine = database.reading_engine(url)
        with engine.connect() as connection:  # pages, because the file grows only at a checkpoint
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar() or 0
        engine.dispose()
        assert path.exists()
        return Counters(processor_s([server.pid]), pages * 4096, int(io["wchar"]))
    engine = sa.create_engine(
        sa.make_url(url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        connection.exec_driver_sql(
            "CHECKPOINT"
        )  # pages are written whole once after it, as every few minutes
        ask = "pg_database_size(current_database()), pg_wal_lsn_diff(pg_current_wal_lsn(), '0/0')::bigint"
        disk, log, pid = connection.exec_driver_sql(f"SELECT {ask}, pg_backend_pid()").one()
        main = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
        children = map(int, Path(f"/proc/{main}/task/{main}/children").read_text().split())
        pids = [server.pid, main, *(child for child in children if child != pid)]
        used_s = processor_s(pids)
    engine.dispose()
    return Counters(used_s, disk, log)


def table(cost: Cost, interval_s: float) -> str:
    """Fleets, a reading of each machine every `interval_s`, as Markdown. Pure."""
    lines = [
        "| machines | readings a second | cores to take them | tables, 400 days | archive, a year more "
        "| log a day |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for machines in FLEETS:
        rate = machines / interval_s
        kept = rate * DAY_S * RETENTION_DAYS * cost.disk_bytes
        archived = rate * DAY_S * 365 * ARCHIVED_BYTES
        cells = [f"{machines:,}", f"{rate:,.0f}", f"{rate / cost.a_core_takes:,.2f}", size(kept)]
        lines.append(f"| {' | '.join([*cells, size(archived), size(rate * DAY_S * cost.log_bytes)])} |")
    return "\n".join(lines)


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
