"""
Declared losses: how many readings the reports of a kind declare lost, and the last announced count of them.

Works with the previous release running: yes, columns with a default and a table are added. Losses that it
writes meanwhile count as events, but not the readings in them.
"""

from __future__ import annotations

import json
from collections import Counter

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_LOSSES = """
SELECT stream_id, name, content FROM reports WHERE kind = 'event' AND substr(name, 1, 9) = 'readings_'
"""
_WRITE = sa.text(
    "UPDATE report_tallies SET lost = :lost WHERE stream_id = :stream_id AND kind = 'event' AND name = :name"
)


def upgrade() -> None:
    for table in ("report_days", "report_tallies"):
        op.add_column(table, sa.Column("lost", sa.BigInteger(), server_default="0", nullable=False))
    op.create_table(
        "told_events",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("times", sa.BigInteger(), nullable=False),
        sa.Column("lost", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_told_events_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "name", name="pk_told_events"),
        sqlite_with_rowid=False,
    )
    connection = op.get_bind()
    lost: Counter[tuple[int, str]] = Counter()
    for stream_id, name, content in connection.execute(sa.text(_LOSSES)):
        lost[stream_id, name] += _count(content)
    for (stream_id, name), count in lost.items():
        connection.execute(_WRITE, {"stream_id": stream_id, "name": name, "lost": count})


def _count(content: str) -> int:
    try:
        count = json.loads(content)["count"]
    except (ValueError, KeyError, TypeError):
        return 0
    return count if type(count) is int and 0 < count <= 2**53 else 0


def downgrade() -> None:
    op.drop_table("told_events")
    for table in ("report_tallies", "report_days"):
        op.drop_column(table, "lost")
