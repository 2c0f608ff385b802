"""
SQLite's write-ahead log, kept short while somebody always reads.

SQLite writes the log into the file at every thousandth page of it, and begins the log again at a commit at
which no connection reads from it (sqlite.org/wal.html, "Avoiding excessively large WAL files"). Where
readers follow each other without a gap there is no such commit: the log grows without end, and with it its
index, which every connection has in memory. A checkpoint that truncates waits for those that read now and
lets the next ones read from the file alone, so there is a gap.

Promises: nothing where the log is short; else a bounded wait, and none again for `AGAIN_S`.
Leaves to others: when. The background analysis reads for seconds, so it asks between two passes.
"""

from __future__ import annotations

import contextlib
import logging
import math
import sqlite3
from collections.abc import Callable
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.store import trouble
from cleanside.ingest.store.database import BUSY_TIMEOUT_MS

log = logging.getLogger("cleanside.ingest")

# Eight times what SQLite begins to write back at; its index is then 64 KiB of memory. Chosen.
MOST_BYTES = 32 * 1024 * 1024
# A page or a list takes less; who reads for longer (an export) is waited for again later, twice as long each
# time. Commits wait meanwhile, at most once in `AGAIN_S` (tried: on a saturated server the fourth try cut).
WAIT_MS, LONGEST_WAIT_MS = 250, 2_000
AGAIN_S = 10


class WriteAheadLog:
    """The log beside the file of one writing engine."""

    def __init__(
        self, engine: sa.Engine, seconds: Callable[[], float], *, most_bytes: int = MOST_BYTES
    ) -> None:
        """
        engine : one that may write; of another database than SQLite nothing is done.
        seconds : a clock that only moves forward [s].
        most_bytes : a longer log is cut.
        """
        self._engine, self._seconds, self._most_bytes = engine, seconds, most_bytes
        path = engine.url.database if engine.dialect.name == "sqlite" else None
        self._file = None if path is None else Path(f"{path}-wal")
        self._again_s, self._wait_ms = -math.inf, WAIT_MS

    @property
    def length(self) -> int:
        """What the log takes on disk [bytes]; 0 where there is none."""
        if self._file is None:
            return 0
        try:
            return self._file.stat().st_size
        except OSError:
            return 0

    def keep_short(self) -> None:
        """Write a long log into the file and cut it, if those who read let go in time. Raises nothing."""
        if self.length <= self._most_bytes or self._seconds() < self._again_s:
            return
        self._again_s = self._seconds() + AGAIN_S
        try:
            is_cut = _cut(self._engine, self._wait_ms)
            self._wait_ms = WAIT_MS if is_cut else min(2 * self._wait_ms, LONGEST_WAIT_MS)
        except (sa.exc.SQLAlchemyError, sqlite3.Error) as error:
            log.warning("ingest.log_not_cut", extra={"bytes": self.length, "reason": trouble.words_of(error)})


def fold_log(engine: sa.Engine) -> None:
    """SQLite: move the write-ahead log into the file and cut it, so that no replaced value stays in it."""
    if engine.dialect.name == "sqlite":
        _cut(engine, BUSY_TIMEOUT_MS)


def _cut(engine: sa.Engine, wait_ms: int) -> bool:
    """
    Checkpoint with truncation. False where somebody read on.

    The connection waits for others as long as a writing one does when it is done.
    """
    with contextlib.closing(engine.raw_connection()) as connection:
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={wait_ms}")
        try:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (is_busy, *_pages) = cursor.fetchone() or (1,)
            return not is_busy
        finally:
            cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
