"""What a server and its database have used so far: processor time, disk, log."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.store import database

TICKS_A_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Counters:
    """So far, or between two moments."""

    processor_s: float
    disk_bytes: int
    log_bytes: int

    def since(self, before: Counters) -> Counters:
        """What came to it since then."""
        return Counters(
            self.processor_s - before.processor_s,
            self.disk_bytes - before.disk_bytes,
            self.log_bytes - before.log_bytes,
        )


def counters(url: str, pids: Sequence[int]) -> Counters:
    """
    Of these processes and their database.

    Processor time is that of the processes, on PostgreSQL with all of the database's. Disk is what the
    database takes, all indexes counted. Log is PostgreSQL's write-ahead log; of SQLite what the processes
    wrote in all.
    """
    if database.sqlite_path(url) is not None:
        written = sum(int(_io(pid)["wchar"]) for pid in pids)
        return Counters(processor_s(pids), disk_bytes(url), written)
    engine = _engine(url)
    with engine.connect() as connection:
        # Pages are written whole once after it, as every few minutes.
        connection.exec_driver_sql("CHECKPOINT")
        ask = "pg_wal_lsn_diff(pg_current_wal_lsn(), '0/0')::bigint, pg_backend_pid()"
        log, pid = connection.exec_driver_sql(f"SELECT {ask}").one()
        main = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
        children = map(int, Path(f"/proc/{main}/task/{main}/children").read_text().split())
        used_s = processor_s([*pids, main, *(child for child in children if child != pid)])
    engine.dispose()
    return Counters(used_s, disk_bytes(url), log)


def disk_bytes(url: str) -> int:
    """What a database takes, all indexes counted; of SQLite without pages that wait to be used again."""
    if database.sqlite_path(url) is None:
        engine, ask = _engine(url), "SELECT pg_database_size(current_database())"
    else:  # pages, because the file grows only at a checkpoint
        engine = database.reading_engine(url)
        ask = "SELECT (page_count - freelist_count) * page_size"
        ask += " FROM pragma_page_count, pragma_freelist_count, pragma_page_size"
    with engine.connect() as connection:
        size = int(connection.exec_driver_sql(ask).scalar() or 0)
    engine.dispose()
    return size


def processor_s(pids: Sequence[int]) -> float:
    """Processor time of these processes so far; none of one that ended. proc(5), stat, fields 14 and 15."""
    ticks = 0
    for pid in pids:
        with suppress(FileNotFoundError, ProcessLookupError):
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])
    return ticks / TICKS_A_S


def _io(pid: int) -> dict[str, str]:
    return dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())


def _engine(url: str) -> sa.Engine:
    with_driver = sa.make_url(url).set(drivername="postgresql+psycopg")
    return sa.create_engine(with_driver, isolation_level="AUTOCOMMIT")
