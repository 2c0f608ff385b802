"""
Readings by month: on PostgreSQL each UTC month of `readings` and of `blocks` has its own table. An old month
is dropped, not deleted row by row.

Measured (tests/benchmark/bench_retention.py): inserts cost the same, and a month is dropped in 0.04 s.
Deleting takes 1.8 s and 266 MB of write-ahead log for each million readings.
Promises: an insert never fails for its month: a month without a table goes to `readings_other`, or
`blocks_other`. This file loses no reading: call `drop` only after the month was copied elsewhere under
`lock`.
Leaves to others: which months are old, and where they move. On SQLite there are no such tables: `listed` is
empty, `lock` and `drop` return False, and rows are deleted in batches.

Inside a month the key of its table keeps a number unique. Across months the lock on the stream does. A batch
that does not simply extend the stream is counted again before commit (`stored.refuse_twice`).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect

AHEAD = 2  # months made before they begin; chosen: enough for a server that is off for a month
BEHIND = 1  # and for backlogs: the previous month; older readings are few and go to `readings_other`
LOCK_WITHIN_S = 5  # then the caller tries again later, because every other transaction waits behind this lock
_LOCK_KEY = 0x7265_6164  # our own lock number, so that two processes do not make one month at once; chosen

READINGS, BLOCKS = "readings", "blocks"
#: the tables by month: the column that decides which, and the key inside a month
BY_MONTH = {READINGS: ("at_us", "stream_id, seq"), BLOCKS: ("first_us", "stream_id, first_seq")}

_LISTED = sa.text(
    "SELECT child.relname FROM pg_inherits JOIN pg_class child ON child.oid = inhrelid "
    "WHERE inhparent = CAST(:whole AS regclass)"
)
_TABLE = re.compile(r"[a-z]+_(\d{4})_(\d{2})")


class Month(NamedTuple):
    """A month of UTC."""

    year: int
    month: int

    @property
    def from_us(self) -> int:
        """Its first instant, microseconds since 1970."""
        return int(datetime(self.year, self.month, 1, tzinfo=UTC).timestamp()) * 1_000_000

    @property
    def until_us(self) -> int:
        """The first instant after it."""
        return self.later(1).from_us

    @property
    def text(self) -> str:
        """Like "2026-03"."""
        return f"{self.year:04d}-{self.month:02d}"

    def table(self, whole: str) -> str:
        """The name of its table, a part of `readings` or `blocks`."""
        return f"{whole}_{self.year:04d}_{self.month:02d}"

    def later(self, months: int) -> Month:
        """The month so many months later."""
        year, month = divmod(self.year * 12 + self.month - 1 + months, 12)
        return Month(year, month + 1)


def month_of(at_us: int) -> Month:
    """The month of an instant, microseconds since 1970; years 0001 to 9999."""
    at = datetime.fromtimestamp(at_us // 1_000_000, UTC)
    return Month(at.year, at.month)


def listed(connection: sa.Connection, whole: str = READINGS) -> list[Month]:
    """The months that have a table of their own, oldest first."""
    if dialect.is_sqlite(connection):
        return []
    names = (_TABLE.fullmatch(name) for name in connection.scalars(_LISTED, {"whole": whole}))
    return sorted(Month(int(name[1]), int(name[2])) for name in names if name)


def are_missing(connection: sa.Connection, now_us: int) -> list[Month]:
    """Months around now that have no table of their own yet; none on SQLite."""
    if dialect.is_sqlite(connection):
        return []
    return sorted({month for whole in BY_MONTH for month in _missing(connection, whole, now_us)})


def _missing(connection: sa.Connection, whole: str, now_us: int) -> list[Month]:
    wanted = {month_of(now_us).later(n) for n in range(-BEHIND, AHEAD + 1)}
    return sorted(wanted - set(listed(connection, whole)))


def make_ahead(connection: sa.Connection, now_us: int) -> list[Month]:
    """Make the missing tables of the months around now. Returns the new ones."""
    if not are_missing(connection, now_us):
        return []
    _wait_briefly(connection)
    connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({_LOCK_KEY})"))
    missing = are_missing(connection, now_us)  # another process may have been faster
    for whole in BY_MONTH:
        for month in _missing(connection, whole, now_us):
            _make(connection, whole, month)
    return missing


def _make(connection: sa.Connection, whole: str, month: Month) -> None:
    """Make a table for a month; earlier rows of the month move in."""
    table, (by, key) = month.table(whole), BY_MONTH[whole]
    condition = f"{by} >= {month.from_us} AND {by} < {month.until_us}"
    for sql in (
        f"LOCK TABLE {whole}_other IN ACCESS EXCLUSIVE MODE",
        f"CREATE TABLE {table} (LIKE {whole} INCLUDING DEFAULTS INCLUDING STORAGE, "
        f"CONSTRAINT pk_{table} PRIMARY KEY ({key}))",
        f"WITH moved AS (DELETE FROM {whole}_other WHERE {condition} RETURNING *) "
        f"INSERT INTO {table} SELECT * FROM moved",
        f"ALTER TABLE {whole} ATTACH PARTITION {table} "
        f"FOR VALUES FROM ({month.from_us}) TO ({month.until_us})",
    ):
        connection.exec_driver_sql(sql)


def lock(connection: sa.Connection, month: Month, whole: str = READINGS) -> bool:
    """
    Lock `readings`, or `blocks`, for all others until the transaction ends, so that a month can be compared
    and dropped.

    False where the month has no table of its own; then nothing is locked. Raises OperationalError where
    others keep their locks for longer than `LOCK_WITHIN_S`: try again later.
    """
    if month not in listed(connection, whole):
        return False
    _wait_briefly(connection)
    # The whole table first: a writer that waited for the month would have locked the whole already.
    connection.exec_driver_sql(f"LOCK TABLE ONLY {whole} IN ACCESS EXCLUSIVE MODE")
    return True


def drop(connection: sa.Connection, month: Month, whole: str = READINGS) -> bool:
    """Drop a month with all its readings; False where it has no table of its own."""
    if not lock(connection, month, whole):
        return False
    connection.exec_driver_sql(f"DROP TABLE {month.table(whole)}")
    return True


def _wait_briefly(connection: sa.Connection) -> None:
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{LOCK_WITHIN_S}s'")
