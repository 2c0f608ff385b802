"""
Boot corrections: a better anchor for a boot that was sent already; the times as sent stay beside it.

Works with the previous release running: yes, two tables are added; it knows neither.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "boot_corrections",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("boot", sa.String(length=64), nullable=False),
        sa.Column("first", sa.BigInteger(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.Column("shift_s", sa.Double(), nullable=False),
        sa.Column("uncertainty_s", sa.Double(), nullable=True),
        sa.Column("anchor", sa.String(length=64), nullable=True),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("received_us", sa.BigInteger(), nullable=False),
        sa.Column("undone_us", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("first >= 1 AND last >= first", name="ck_boot_corrections_range"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_boot_corrections_stream_id"),
        sa.PrimaryKeyConstraint("id", name="pk_boot_corrections"),
        sa.UniqueConstraint("stream_id", "digest", name="uq_boot_corrections_stream_id_digest"),
    )
    op.create_table(
        "original_times",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("at_uncertainty_s", sa.Double(), nullable=True),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_original_times_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "seq", name="pk_original_times"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("original_times")
    op.drop_table("boot_corrections")
