"""
The archive: which Parquet files hold older readings, and what was taken out of them since.

Works with the previous release running: yes, three tables are added; it knows none of them. Nothing may be
archived before it has ended (retention_days = 0 until then): it would take archived numbers for new ones.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "archives",
        sa.Column("id", _ID, autoincrement=True, nullable=False),
        sa.Column("device_id", _ID, nullable=False),
        sa.Column("month", sa.String(length=7), nullable=False),
        sa.Column("file", sa.String(length=80), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.Column("first_us", sa.BigInteger(), nullable=False),
        sa.Column("last_us", sa.BigInteger(), nullable=False),
        sa.Column("made_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["device_id"], ["devices.id"], name="fk_archives_device_id"),
        sa.PrimaryKeyConstraint("id", name="pk_archives"),
        sa.UniqueConstraint("file", name="uq_archives_file"),
    )
    op.create_index("ix_archives_device_id_month", "archives", ["device_id", "month"], unique=False)
    op.create_table(
        "archive_streams",
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("archive_id", _ID, nullable=False),
        sa.Column("first_seq", sa.BigInteger(), nullable=False),
        sa.Column("last_seq", sa.BigInteger(), nullable=False),
        sa.Column("readings", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["archive_id"], ["archives.id"], name="fk_archive_streams_archive_id"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_archive_streams_stream_id"),
        sa.PrimaryKeyConstraint("stream_id", "archive_id", name="pk_archive_streams"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_archive_streams_archive_id", "archive_streams", ["archive_id"], unique=False)
    op.create_table(
        "archive_removed",
        sa.Column("archive_id", _ID, nullable=False),
        sa.Column("stream_id", _ID, nullable=False),
        sa.Column("first", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["archive_id"], ["archives.id"], name="fk_archive_removed_archive_id"),
        sa.ForeignKeyConstraint(["stream_id"], ["streams.id"], name="fk_archive_removed_stream_id"),
        sa.PrimaryKeyConstraint("archive_id", "stream_id", "first", name="pk_archive_removed"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("archive_removed")
    op.drop_index("ix_archive_streams_archive_id", table_name="archive_streams")
    op.drop_table("archive_streams")
    op.drop_index("ix_archives_device_id_month", table_name="archives")
    op.drop_table("archives")
