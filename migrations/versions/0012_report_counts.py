"""
Boots and events of gateways: older events become counts by stream, kind and day; a tally of each kind.

Works with the previous release running: yes, tables are added. What it writes meanwhile is kept whole and
stands in no tally. An event that became a count here, and is sent to it again, it keeps a second time.
Existing events go the way new ones do: boots and losses stay as they are; of every other kind the newest 64
of a stream stay, and the rest is counted.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
WHOLE = 64

#: what is kept whole: boots, and events that say of a loss or of a boot's time
_LASTING = """(kind <> 'event' OR substr(coalesce(name, ''), 1, 9) = 'readings_'
    OR substr(coalesce(name, ''), 1, 6) = 'spool_' OR substr(coalesce(name, ''), 1, 7) = 'stream_'
    OR coalesce(name, '') = 'boot_corrected')"""
#: digests of those that become a count, with their place among the newest of their kind
_OLDER = f"""
SELECT stream_id, kind, digest FROM (
    SELECT stream_id, kind, digest, row_number() OVER (
        PARTITION BY stream_id, coalesce(name, '')
        ORDER BY coalesce(at_seq, 0) DESC, received_us DESC, digest) AS place
    FROM reports WHERE NOT {_LASTING}) AS ranked
WHERE place > {WHOLE}
"""
_COUNT = f"""
INSERT INTO report_days (stream_id, kind, name, day, times, first_us, last_us, first_seq, last_seq)
SELECT r.stream_id, r.kind, coalesce(r.name, ''), r.received_us / 86400000000, count(*),
    min(r.received_us), max(r.received_us), min(r.at_seq), max(r.at_seq)
FROM reports r JOIN ({_OLDER}) AS older
    ON older.stream_id = r.stream_id AND older.kind = r.kind AND older.digest = r.digest
GROUP BY r.stream_id, r.kind, coalesce(r.name, ''), r.received_us / 86400000000
"""
_FORGET = f"DELETE FROM reports WHERE (stream_id, kind, digest) IN ({_OLDER})"
_TALLY = """
INSERT INTO report_tallies (stream_id, kind, name, whole, times, folded_through)
SELECT stream_id, kind, place, sum(whole), sum(times), max(through) FROM (
    SELECT stream_id, kind, CASE WHEN kind = 'boot' THEN '' ELSE coalesce(name, '') END AS place,
        1 AS whole, 1 AS times, 0 AS through FROM reports
    UNION ALL
    SELECT stream_id, kind, name, 0, times, coalesce(last_seq, 0) FROM report_days) AS every
GROUP BY stream_id, kind, place
"""


def upgrade() -> None:
    op.create_table(
        "report_days",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("day", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=True),
        sa.Column("last_seq", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_report_days_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "kind", "name", "day", name="pk_report_days"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "report_tallies",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("kind", sa.String(length=8), nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("whole", sa.BigInteger(), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("folded_through", sa.BigInteger(), server_default="0", nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_report_tallies_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "kind", "name", name="pk_report_tallies"),
        sqlite_with_rowid=False,
    )
    if op.get_bind().dialect.name != "sqlite":
        op.execute("SET LOCAL statement_timeout = 0")
    for statement in (_COUNT, _FORGET, _TALLY):
        op.execute(statement)


def downgrade() -> None:
    op.drop_table("report_tallies")
    op.drop_table("report_days")
