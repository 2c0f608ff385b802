"""
PostgreSQL: readings are kept by month, so that an old month is dropped instead of deleted row by row.

Works with the previous release running: yes, `readings` reads and writes as before; only an insert that
rests on its key (ON CONFLICT) would not, and there is none. The rows are copied: with 50 million of them
it takes minutes, and the table is locked meanwhile.
"""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

MOST_MONTHS = 240  # made for rows that are there; older or wilder times go to readings_other
_MONTHS = """
SELECT DISTINCT to_char(to_timestamp(at_us / 1000000) AT TIME ZONE 'UTC', 'YYYYMM')::bigint
FROM readings_before WHERE at_us BETWEEN 0 AND 253370764800000000 ORDER BY 1 DESC LIMIT {}
"""


def _start_us(year: int, month: int) -> int:
    return int(datetime(year, month, 1, tzinfo=UTC).timestamp()) * 1_000_000


def upgrade() -> None:
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        return
    op.execute("SET LOCAL statement_timeout = 0")
    op.execute("ALTER TABLE readings RENAME TO readings_before")
    op.execute("CREATE TABLE readings (LIKE readings_before INCLUDING DEFAULTS) PARTITION BY RANGE (at_us)")
    found = connection.execute(sa.text(_MONTHS.format(MOST_MONTHS))).scalars().all()
    for year, month in (divmod(number, 100) for number in found):
        name = f"readings_{year:04d}_{month:02d}"
        first, until = _start_us(year, month), _start_us(year + month // 12, month % 12 + 1)
        op.execute(f"CREATE TABLE {name} PARTITION OF readings FOR VALUES FROM ({first}) TO ({until})")
    op.execute("CREATE TABLE readings_other PARTITION OF readings DEFAULT")
    op.execute("INSERT INTO readings SELECT * FROM readings_before")
    op.execute("DROP TABLE readings_before")
    for name in ("readings_other", *(f"readings_{n // 100:04d}_{n % 100:02d}" for n in found)):
        # A key of its own for each: the whole could only have one that includes the time.
        op.execute(f"ALTER TABLE {name} ADD CONSTRAINT pk_{name} PRIMARY KEY (stream_id, seq)")


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        return
    op.execute("SET LOCAL statement_timeout = 0")
    op.execute("ALTER TABLE readings RENAME TO readings_before")
    op.execute("CREATE TABLE readings (LIKE readings_before INCLUDING DEFAULTS)")
    op.execute("INSERT INTO readings SELECT * FROM readings_before")
    op.execute("DROP TABLE readings_before")
    op.execute("ALTER TABLE readings ADD CONSTRAINT pk_readings PRIMARY KEY (stream_id, seq)")
